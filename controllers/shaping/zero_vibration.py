"""ZV and ZVD: a jump cut into two or three, so that the ringing of the parts cancels."""

import math
from typing import Literal

import numpy as np

from controllers.shaping.oscillator import complex_pole, require_fine_ticks
from sim.foundations.params import Block
from sim.foundations.ports import Array, PlantBelief


class ZeroVibrationParams(Block):
    """Nothing to set: the believed resonance says it all."""

    kind: Literal["zv"] = "zv"
    """Name of this shaper. [-]"""


class ZeroVibrationDerivativeParams(Block):
    """Nothing to set: the believed resonance says it all."""

    kind: Literal["zvd"] = "zvd"
    """Name of this shaper. [-]"""


def tick_impulses(resonance_rad_s: float, quality: float, tick_s: float, order: int) -> Array:
    """Return the amplitude of the impulse at each tick, (K,), for ZV (order 1) or ZVD (order 2).

    Half a damped period is in general no whole number of ticks. The second ZV impulse is therefore
    shared by the two ticks next to it. Their amplitudes are not interpolated but solved for, so
    that the believed resonance is left with no ringing at all (rounding apart), and every amplitude
    stays positive. ZVD is this ZV twice over, so that ringing also starts with zero slope in
    frequency. The amplitudes differ from the ideal ones by less than (resonance * tick)^2. For
    comparison, sharing an impulse in proportion would leave up to (resonance * tick)^2 / 8 of it:
    0.6 % at 700 Hz and 50 us.

    Parameters
    ----------
    resonance_rad_s, quality : float
        Believed resonance [rad/s] and quality factor [-].
    tick_s : float
        Drive update period. [s]
    order : 1 or 2
        1 for ZV, 2 for ZVD.

    Raises
    ------
    ValueError
        If the mirror does not ring (quality up to 1/2), or the tick is too coarse.
    """
    require_fine_ticks(resonance_rad_s, tick_s)
    pole = complex_pole(resonance_rad_s, quality)
    ticks = math.floor(math.pi / (pole.imag * tick_s) + 1e-9)
    effects = np.exp(-pole * tick_s * np.array([0, ticks, ticks + 1]))
    system = np.stack([np.ones(3), effects.real, effects.imag])
    first, second, third = np.linalg.solve(system, np.array([1.0, 0.0, 0.0]))
    one = np.zeros(ticks + 2)
    one[[0, ticks, ticks + 1]] = first, second, third
    return one if order == 1 else np.convolve(one, one)


class ZeroVibration:
    """ZV: half a period longer than a jump; a resonance 5 % off leaves some 7 % of the ringing."""

    Params: type[Block] = ZeroVibrationParams
    order = 1

    def __init__(self, params: Block, plant: PlantBelief) -> None:
        self.params = params
        self.plant = plant
        impulses = [
            tick_impulses(w, q, plant.tick_s, self.order)
            for w, q in zip(plant.resonance_rad_s, plant.quality, strict=True)
        ]
        share = np.ones((max(len(i) for i in impulses), 2))
        for axis, amplitudes in enumerate(impulses):
            share[: len(amplitudes), axis] = np.cumsum(amplitudes)
        self.share = share
        self.share[-1] = 1.0

    def path(self, start_rad: Array, target_rad: Array) -> Array:
        """Return commanded tilt (K, M, 2) [rad] at ticks 0 to K-1; the target is held after."""
        start_rad, target_rad = np.asarray(start_rad, float), np.asarray(target_rad, float)
        path_rad = start_rad + self.share[:, None, :] * (target_rad - start_rad)
        path_rad[-1] = target_rad
        return path_rad


class ZeroVibrationDerivative(ZeroVibration):
    """ZVD: a period longer than a jump; a resonance 5 % off leaves some 0.6 % of the ringing."""

    Params = ZeroVibrationDerivativeParams
    order = 2
