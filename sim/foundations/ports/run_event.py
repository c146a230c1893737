"""What an event of a run knows and does: frame by frame, to drives, mirrors, camera and light."""

from collections.abc import Mapping
from typing import NamedTuple, Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray

from sim.foundations.ports.array import Array
from sim.foundations.ports.disturbance import Clock, Disturbance, Event

Flags = NDArray[np.bool_]


class BadRows(NamedTuple):
    """Rows of a sensor that arrive damaged or not at all, and are known to."""

    mirrors: Flags
    """(M,) mirrors whose windows are on that sensor."""
    spans: NDArray[np.int64]
    """(K, 2) first and last row of each damaged part. [px]"""


class Faults(NamedTuple):
    """What an event does in one frame of N ticks to M mirrors; None where it does nothing."""

    gain: Array | None = None
    """(N, 2, M) factor on the drive's tilt per volt in each tick. [-]"""
    asked_rad: Array | None = None
    """(N, 2, M) static tilt that the drive is asked for on top of the command. [rad]"""
    pull_rad: Array | None = None
    """(N, 2, M) static tilt that the drive pulls to whatever the command; NaN where it obeys.
    [rad]"""
    stuck: Flags | None = None
    """(N, 2, M) axes that stay where they are."""
    rest_rad: Array | None = None
    """(2, 2, M) wander of the rest angles at the frame's start and at its end. [rad]"""
    dropped: Flags | None = None
    """(M,) mirrors whose frame never comes."""
    late_frames: NDArray[np.int64] | None = None
    """(M,) whole frames by which this frame's pixels come late. [frame]"""
    late_ticks: NDArray[np.int64] | None = None
    """(M,) drive ticks by which the correction made in this frame acts late. [tick]"""
    late_windows: NDArray[np.int64] | None = None
    """(M,) frames by which the window registers are behind. [frame]"""
    unnoticed: Flags | None = None
    """(M,) mirrors whose late window the firmware takes for the one that it asked for."""
    bad_rows: tuple[BadRows, ...] = ()
    light: float | None = None
    """Factor on the monitor light, mean over the exposure. [-]"""


class Lateness(NamedTuple):
    """The most by which an event can make things late, in any frame."""

    frames: int = 0
    ticks: int = 0
    windows: int = 0


class EventSite(NamedTuple):
    """What an event knows of the run that it happens in."""

    clock: Clock
    mirror_ids: NDArray[np.int64]
    """(M,) number of each simulated mirror in the whole switch; random numbers are keyed by it."""
    ports: int
    """Mirrors of array A; those from this number on are of array B."""
    outputs: int
    """Mirrors of array B."""
    boards: Mapping[str, Flags]
    """Driver boards, and the mirrors (M,) of each."""
    cameras: Mapping[str, Flags]
    """Cameras, and the mirrors (M,) that each sees."""
    key: tuple[int, int]
    """(seed, stream): the random numbers that are this event's own (see sim.foundations.rng)."""
    exposure_s: float
    """From a frame's start. [s]"""
    stop_rad: tuple[float, float]
    """Travel stops of axes x and y, both ways. [rad]"""
    sensor_rows: int
    """Of each camera's sensor. [px]"""
    disturbances: tuple[Disturbance, ...]
    """Those of the scenario, in its order."""
    images: bool
    """Whether images are made; without, readings are drawn from a table for the light as it is."""


@runtime_checkable
class RunEvent(Protocol):
    """An event of a run, such as a board that loses power.

    What it does follows from the number of the frame alone: random numbers are drawn by name
    (`sim.foundations.rng`), never from a running generator, so that a run can be resumed anywhere.
    """

    event: Event
    """Name and times; nothing happens outside."""
    mirrors: Flags
    """(M,) those that it concerns."""
    lateness: Lateness

    def faults(self, frame: int) -> Faults:
        """Return what happens in a frame."""
        ...


@runtime_checkable
class WithSurroundings(Protocol):
    """An event that acts through the surroundings, as disturbances do; its faults do not count."""

    surroundings: tuple[Disturbance, ...]
    """Taken along beside those of the scenario."""
