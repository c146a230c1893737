"""What mirrors do in one frame, as the kernels take it: what moves, what is asked, what forces."""

from typing import NamedTuple

from numpy import float32, int64
from numpy.typing import NDArray

from sim.foundations.ports import Array


class Moving(NamedTuple):
    """State of drives and mirrors; the kernels change it in place."""

    tilt: Array
    """(2, M) [rad]"""
    rate: Array
    """(2, M) [rad/s]"""
    volt: Array
    """(2, M) amplifier outputs. [V]"""
    stops: NDArray[int64]
    """(M,) ticks spent against a stop."""


class Motion(NamedTuple):
    """What moves, and when corrections take over."""

    moving: Moving
    waiting: Array
    """(L + 1, 2, M) corrections, that of the present frame first. [rad]"""
    lag: int
    """L, whole frames from an exposure to its correction; the most of any mirror."""
    change_tick: int
    """Tick of a frame at which a correction takes over; the first where mirrors differ."""


class Asked(NamedTuple):
    """Static tilt that the drive is asked for in one frame of N ticks: path plus correction."""

    path_rad: Array
    """(N, 2, M) feed-forward in each tick, or (1, 2, M) in all of them. [rad]"""
    before_rad: Array
    """(2, M) correction until `change_tick`. [rad]"""
    after_rad: Array
    """(2, M) correction from it on. [rad]"""
    change_tick: int


class Forcing(NamedTuple):
    """What acts on drives and mirrors in one frame of N ticks, beside what is asked."""

    acceleration_m_s2: Array
    """(N + 1, 3) of the core at tick edges, straight in between. [m/s^2]"""
    rest_start_rad: Array
    """(2, M) rest angle at the frame's start. [rad]"""
    rest_end_rad: Array
    """(2, M) the same at its end. [rad]"""
    gain_start: float
    """Relative change of the drive's gain at the frame's start. [-]"""
    gain_end: float
    """The same at its end. [-]"""
    noise: NDArray[float32]
    """(N, 2, M) standard normals of the amplifiers, or of length 0."""
