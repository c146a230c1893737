"""What the builder hands to the loop: every part of one run, ready to use."""

from dataclasses import dataclass
from types import ModuleType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.camera.lens import Lens, SeesTilts
from sim.camera.measurement import Measurement
from sim.camera.search import SearchRule
from sim.camera.spot_guard import DoubtsReadings
from sim.firmware.codes import CodedDrive
from sim.foundations.ports import Array, Clock, Controller, Disturbance, RunEvent
from sim.loop.health import Attendant
from sim.loop.reference import Reference
from sim.mechanics.bracket import Bracket
from sim.mechanics.isolator import Isolator
from sim.mirror.population import Population
from sim.mirror.propagator import Drive, Fleet
from sim.optics.epochs import Epoch


@dataclass(frozen=True, slots=True)
class Parts:
    """Everything that takes part in a run; `sim.assembly.build` makes it."""

    clock: Clock
    seed: int
    mirrors: NDArray[np.int64]
    """(M,) numbers of the simulated mirrors."""
    inputs: NDArray[np.int64]
    """(C,) connected input ports."""
    epochs: tuple[Epoch, ...]
    epoch_frames: tuple[int, ...]
    """Frame at which each epoch starts."""
    population: Population
    fleet: Fleet
    drive: Drive
    drive_limit_rad: Array
    """(M, 2) largest static tilt that the drive can ask for, as believed. [rad]"""
    disturbances: tuple[Disturbance[Any], ...]
    isolator: Isolator | None
    bracket: Bracket | None
    reference: Reference
    measurement: Measurement
    exposure_weights: Array
    """(S, N + 1) tick edges to exposure samples."""
    exposure_ticks: int
    """Ticks until the exposure is over."""
    latency_ticks: int
    """Ticks from a frame's start until its correction is at the drive, as the firmware has it."""
    delay_ticks: NDArray[np.int64]
    """(M, 2) the same of each mirror and axis as it is: measured where a population says so."""
    scale_px_per_rad: float
    row_s: float
    """Row time of the camera's shutter; 0: all rows start together. [s]"""
    search: SearchRule | None
    controller: Controller[Any]
    interval_ticks: int
    tolerance_rad: float
    outage_db: float
    pictures: tuple[tuple[str, int], ...]
    """(what it shows, frame) of the spot images to keep."""
    kernels: ModuleType
    scenario: dict[str, Any]
    """What all of this is made from, as plain data; a saved state is known by it."""
    coded: CodedDrive | None = None
    """Makes codes of the DAC from words, where the controller computes in whole numbers."""
    lens: Lens | None = None
    """How the sensors see tilts; None: at `scale_px_per_rad` times tilt."""
    believed_lens: SeesTilts | None = None
    """The same as the firmware has it; None if and only if `lens` is."""
    guard: DoubtsReadings | None = None
    """When readings are taken for those of another mirror; None: never."""
    events: tuple[RunEvent, ...] = ()
    health: Attendant | None = None
    """The watch over the mirrors, if there is one."""
