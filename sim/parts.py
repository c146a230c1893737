"""What the builder hands to the loop: every part of one run, ready to use."""

from collections.abc import Callable
from dataclasses import dataclass
from types import ModuleType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.bracket import Bracket
from sim.eye import Eye
from sim.fleet import Drive, Fleet
from sim.isolator import Isolator
from sim.mirror import Population
from sim.ports import Array, Clock, Controller, Disturbance
from sim.reference import Reference
from sim.search import SearchRule
from sim.traces import Epoch


@dataclass(frozen=True, slots=True)
class Parts:
    """Everything that takes part in a run; `sim.build` makes it."""

    clock: Clock
    seed: int
    mirrors: NDArray[np.int64]
    """(M,) numbers of the simulated mirrors."""
    inputs: NDArray[np.int64]
    """(C,) lit input ports."""
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
    reference: Callable[[], Reference]
    eye: Eye
    exposure_weights: Array
    """(S, N + 1) tick edges to exposure samples."""
    exposure_ticks: int
    """Ticks until the exposure is over."""
    latency_ticks: int
    """Ticks from a frame's start until its correction is at the drive."""
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
