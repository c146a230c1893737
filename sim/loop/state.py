"""What moves in a run: mirrors, amplifiers, and the corrections on their way to the drive."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.loop.parts import Parts
from sim.ports import Array


class Moving(NamedTuple):
    """State of drives and mirrors; the kernels change it in place."""

    tilt: Array
    """(2, M) [rad]"""
    rate: Array
    """(2, M) [rad/s]"""
    volt: Array
    """(2, M) amplifier outputs. [V]"""
    stops: NDArray[np.int64]
    """(M,) ticks spent against a stop."""


class Motion(NamedTuple):
    """What moves, and when corrections take over."""

    moving: Moving
    waiting: Array
    """(L + 1, 2, M) corrections, that of the present frame first. [rad]"""
    lag: int
    """L, whole frames from an exposure to its correction."""
    change_tick: int
    """Tick of a frame at which a correction takes over."""


def at_rest(parts: Parts, asked_rad: Array) -> Motion:
    """Return mirrors that stand at their first aims, held by what the drive is asked for (2, M)."""
    m = len(parts.mirrors)
    lag, change_tick = divmod(parts.latency_ticks, parts.clock.ticks_per_frame)
    moving = Moving(
        np.ascontiguousarray(parts.epochs[0].aim_rad.T + parts.population.alignment_rad.T),
        np.zeros((2, m)),
        _volts(asked_rad, parts),
        np.zeros(m, np.int64),
    )
    return Motion(moving, np.zeros((lag + 1, 2, m)), lag, change_tick)


def _volts(asked_rad: Array, parts: Parts) -> Array:
    """Drive voltages (2, M) that hold a static tilt, as believed. [V]"""
    ratio = asked_rad / parts.fleet.believed_gain
    return np.copysign(np.sqrt(np.abs(ratio)), ratio) if parts.drive.square else ratio
