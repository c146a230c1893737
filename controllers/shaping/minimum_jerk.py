"""The 10-15-6 polynomial: position, rate and acceleration start and end without a jump."""

import math
from typing import Annotated, Literal

import numpy as np

from sim.foundations.params import Block, between
from sim.foundations.ports import Array, Knob, PlantBelief


class MinimumJerkParams(Block):
    """One duration for every move, long or short; at most a second, since a longer one is drift.

    Valid from a microsecond, which is a step, to a second.
    """

    kind: Literal["minimum_jerk"] = "minimum_jerk"
    """Name of this shaper. [-]"""
    duration_ms: Annotated[float, between(1e-3, 1e3)]
    """From the first change of the command to the last. [ms]"""


def minimum_jerk(share: Array) -> Array:
    """Return the part of the way covered at each share (0 to 1) of the duration.

    References
    ----------
    .. [1] T. Flash and N. Hogan, "The coordination of arm movements", J. Neuroscience 5 (1985)
       1688: the least integral of squared jerk from rest to rest.
    """
    s = np.clip(share, 0.0, 1.0)
    return s**3 * (10.0 + s * (-15.0 + 6.0 * s))


class MinimumJerk:
    """Smooth moves that need no knowledge of the resonance, if they last a few of its periods.

    The command is the polynomial itself, taken at mid-tick so that the held steps have no mean lag.
    The mirror follows it with its own lag and a residual that falls with the cube of
    duration times resonance.
    """

    Params = MinimumJerkParams
    knobs = (Knob("duration_ms", 2.0, 20.0),)

    def __init__(self, params: MinimumJerkParams, plant: PlantBelief) -> None:
        self.params = params
        self.plant = plant
        duration_s = 1e-3 * params.duration_ms
        n_ticks = max(math.ceil(duration_s / plant.tick_s - 1e-9), 1)
        mid_s = (np.arange(n_ticks + 1, dtype=np.float64) + 0.5) * plant.tick_s
        self.share = minimum_jerk(mid_s / duration_s)
        self.share[-1] = 1.0

    def path(self, start_rad: Array, target_rad: Array) -> Array:
        """Return commanded tilt (K, M, 2) [rad] at ticks 0 to K-1; the target is held after."""
        start_rad, target_rad = np.asarray(start_rad, float), np.asarray(target_rad, float)
        path_rad = start_rad + self.share[:, None, None] * (target_rad - start_rad)
        path_rad[-1] = target_rad
        return path_rad
