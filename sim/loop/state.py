"""What moves in a run: mirrors, amplifiers, and the corrections on their way to the drive."""

import numpy as np

from sim.loop.parts import Parts
from sim.mirror.motion import Motion, Moving
from sim.ports import Array


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
