"""From the disturbances of a run to what reaches mirrors and camera."""

from typing import Any, NamedTuple

import numpy as np

from sim.loop.checks import check_effects
from sim.loop.parts import Parts
from sim.ports import Array, Effects


class Environment(NamedTuple):
    """What surrounds the mirrors over one block of F frames of N ticks."""

    acceleration: Array
    """(F*N + 1, 3) of the core at tick edges. [m/s^2]"""
    sensor: Array
    """(F*N + 1, 2) shift of the camera's frame at tick edges. [rad]"""
    rest: Array
    """(F + 1, 2, M) wander of the rest angles at frame edges. [rad]"""
    gain: Array
    """(F + 1,) relative change of the drive's gain. [-]"""
    resonance: Array
    """(F + 1,) relative change of the resonance. [-]"""
    temperature: Array
    """(F + 1,) [K]"""


class Surroundings:
    """Adds up the disturbances, and passes the base's acceleration through mounts and bracket."""

    def __init__(self, parts: Parts) -> None:
        self._parts = parts
        self._states = [d.initial_state() for d in parts.disturbances]
        self._mounts: Any = None if parts.isolator is None else parts.isolator.initial_state()
        self._bracket: Any = None if parts.bracket is None else parts.bracket.initial_state()
        self.sway_m: Array | None = None

    def advance(self, first: int, count: int) -> Environment:
        """Return what happens in `count` frames from frame `first` on, the next not yet asked."""
        parts = self._parts
        n, m = parts.clock.ticks_per_frame, len(parts.mirrors)
        shapes = ((count * n + 1, 3), (count + 1, m, 2), (count + 1, 2), *((count + 1,),) * 3)
        found: list[Array | None] = [None] * len(Effects._fields)
        for i, disturbance in enumerate(parts.disturbances):
            self._states[i], effects = disturbance.advance(self._states[i], first, count)
            check_effects(effects, shapes, disturbance, i, first * parts.clock.frame_s)
            found = [_sum(total, part) for total, part in zip(found, effects, strict=True)]
        acceleration, rest, sensor, gain, resonance, temperature = (
            np.zeros(shape) if total is None else np.asarray(total, np.float64)
            for total, shape in zip(found, shapes, strict=True)
        )
        if parts.isolator is not None:
            self._mounts, acceleration, sway = parts.isolator.advance(self._mounts, acceleration)
            largest = np.abs(sway).max(axis=0)
            self.sway_m = largest if self.sway_m is None else np.maximum(self.sway_m, largest)
        shift = np.zeros((count * n + 1, 2))
        if sensor.any():
            edges = np.arange(count * n + 1) / n
            for axis in range(2):
                shift[:, axis] = np.interp(edges, np.arange(count + 1), sensor[:, axis])
        if parts.bracket is not None:
            self._bracket, swing = parts.bracket.advance(self._bracket, acceleration)
            shift = shift + swing
        return Environment(
            np.ascontiguousarray(acceleration),
            shift,
            np.ascontiguousarray(rest.transpose(0, 2, 1)),
            np.ascontiguousarray(gain),
            resonance,
            temperature,
        )


def _sum(total: Array | None, part: Array | None) -> Array | None:
    if total is None or part is None:
        return part if total is None else total
    return total + part
