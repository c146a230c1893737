"""The quickest move from rest to rest that the drive's limit allows."""

from typing import Annotated, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pydantic import Field

from controllers.shaping.oscillator import complex_pole, require_fine_ticks
from sim.foundations.params import Block
from sim.foundations.ports import Array, PlantBelief


class TimeOptimalParams(Block):
    """How much of the drive a move may use.

    Valid up to the whole range: what lies beyond, the drive cannot give.
    """

    kind: Literal["time_optimal"] = "time_optimal"
    """Name of this shaper. [-]"""
    limit_share: Annotated[float, Field(gt=0, le=1)] = 1.0
    """Share of the drive's range for moves; start and target outside it widen it. [-]"""


def fastest_move_s(
    start_rad: ArrayLike, target_rad: ArrayLike, limit_rad: ArrayLike, resonance_rad_s: ArrayLike
) -> Array:
    """Return the least time [s] from rest at start to rest at target without damping.

    In the plane of tilt and rate / resonance the tilt runs on circles about the command. It leaves
    the start on a circle about +limit (towards the target) and meets the target on one about
    -limit; the two arcs add up to the time. No command within the limit is quicker.

    Parameters
    ----------
    start_rad, target_rad, limit_rad : array_like
        Tilt before and after, and the largest static tilt either way. [rad]
    resonance_rad_s : array_like
        Undamped resonance. [rad/s]

    Returns
    -------
    ndarray
        Broadcast shape. [s]

    Raises
    ------
    ValueError
        If start or target lies outside the limit.

    References
    ----------
    .. [1] L. S. Pontryagin et al., The Mathematical Theory of Optimal Processes, 1962, the example
       of the oscillator: bang-bang control on circles. From memory; the arcs are derived here.
    """
    start, target, limit = np.broadcast_arrays(
        np.asarray(start_rad, float), np.asarray(target_rad, float), np.asarray(limit_rad, float)
    )
    worst = np.maximum(np.abs(start), np.abs(target))
    if np.any(worst > limit):
        raise ValueError(
            f"start_rad and target_rad must lie within limit_rad, got {worst.max():g} rad"
        )
    sign = np.where(target >= start, 1.0, -1.0)
    s, t = sign * start / limit, sign * target / limit
    switch = ((1.0 + t) ** 2 - (1.0 - s) ** 2) / 4.0  # tilt over limit where the command reverses
    with np.errstate(divide="ignore", invalid="ignore"):
        first = np.arccos(np.clip((1.0 - switch) / (1.0 - s), -1.0, 1.0))
        second = np.arccos(np.clip((1.0 + switch) / (1.0 + t), -1.0, 1.0))
    total = np.where(start == target, 0.0, first + second)
    return total / np.asarray(resonance_rad_s, float)


class TimeOptimal:
    """Full drive one way, full drive the other way, then hold; damping and ticks included.

    The levels are solved for on the tick grid, so that the believed mirror ends at rest to
    rounding: a move lasts N ticks at levels +U, a, -U with one tick at an intermediate level a,
    where N is the least number for which U stays within the limit. This is the least of all largest
    commands over N ticks (the dual of that linear programme is one sine, which changes sign at most
    once in half a period), so no command on this grid is quicker. It swings the drive from end to
    end, so that slew limit and stiffening, which the model leaves out, matter more than with the
    other shapers. The amplifier's lag adds its own few time constants and leaves no ringing.

    Raises
    ------
    ValueError
        If the mirror does not ring, or the drive's tick is too coarse for its resonance.
    """

    Params = TimeOptimalParams

    def __init__(self, params: TimeOptimalParams, plant: PlantBelief) -> None:
        self.params = params
        self.plant = plant
        for w in plant.resonance_rad_s:
            require_fine_ticks(w, plant.tick_s)
        self.poles = [
            complex_pole(w, q) for w, q in zip(plant.resonance_rad_s, plant.quality, strict=True)
        ]

    def path(self, start_rad: Array, target_rad: Array) -> Array:
        """Return commanded tilt (K, M, 2) [rad] at ticks 0 to K-1; the target is held after.

        Raises
        ------
        ValueError
            If start or target lies outside the drive's range.
        """
        start_rad, target_rad = np.asarray(start_rad, float), np.asarray(target_rad, float)
        worst = np.maximum(np.abs(start_rad), np.abs(target_rad))
        if np.any(worst > self.plant.limit_rad):
            raise ValueError(
                f"start_rad and target_rad must lie within the drive's range of "
                f"{self.plant.limit_rad:g} rad, got {worst.max():g} rad"
            )
        limit_rad = np.maximum(self.params.limit_share * self.plant.limit_rad, worst)
        per_axis = [
            bang_bang(start_rad[:, a], target_rad[:, a], limit_rad[:, a], pole, self.plant.tick_s)
            for a, pole in enumerate(self.poles)
        ]
        n_ticks = max(len(path) for path in per_axis)
        path_rad = np.broadcast_to(target_rad, (n_ticks, *target_rad.shape)).copy()
        for a, path in enumerate(per_axis):
            path_rad[: len(path), :, a] = path
        return path_rad


def bang_bang(
    start_rad: Array, target_rad: Array, limit_rad: Array, pole: complex, tick_s: float
) -> Array:
    """Return the quickest commands [rad] (K, M) on the tick grid, rest to rest, for one axis.

    With e_i = exp(-p i tick) the mode of pole p ends at rest if the levels L_i of N ticks obey
    sum L_i (e_i - e_(i+1)) = start e_0 - target e_N. For levels U before tick j, a at it and -U
    after it this is linear in the two unknowns.

    Parameters
    ----------
    start_rad, target_rad, limit_rad : (M,) ndarray
        One axis of the fleet. [rad]
    pole : complex
        Of the believed mirror. [rad/s]
    tick_s : float
        Drive update period. [s]
    """
    most = int(np.ceil(np.pi / (pole.imag * tick_s))) + 1
    e = np.exp(-pole * tick_s * np.arange(most + 1))
    path_rad = np.broadcast_to(target_rad, (most + 1, len(target_rad))).copy()
    waiting: NDArray[np.int64] = np.flatnonzero(start_rad != target_rad)
    last = 0
    for n in range(2, most + 1):
        if not len(waiting):
            break
        level, middle, at = _levels(start_rad[waiting], target_rad[waiting], e, n)
        done = np.abs(level) <= limit_rad[waiting] * (1.0 + 1e-12)
        if np.any(done):
            last = n
            i = np.arange(n)[:, None]
            commands = np.where(i < at[done], level[done], -level[done])
            commands = np.where(i == at[done], middle[done], commands)
            limit = limit_rad[waiting[done]]
            path_rad[:n, waiting[done]] = np.clip(commands, -limit, limit)
        waiting = waiting[~done]
    if len(waiting):
        raise RuntimeError("no move within half a period: this contradicts the derivation")
    return path_rad[: last + 1]


def _levels(
    start_rad: Array, target_rad: Array, e: NDArray[np.complex128], n: int
) -> tuple[Array, Array, NDArray[np.int64]]:
    """Return (U, a, j), each (M,): least |U| over all j for which |a| does not exceed it."""
    wanted = start_rad * e[0] - target_rad * e[n]
    best = np.full(len(start_rad), np.inf)
    middle, at = np.zeros(len(start_rad)), np.zeros(len(start_rad), dtype=np.int64)
    for j in range(n):
        outer = (e[0] - e[j]) - (e[j + 1] - e[n])
        inner = e[j] - e[j + 1]
        area = outer.real * inner.imag - outer.imag * inner.real
        level = (wanted.real * inner.imag - wanted.imag * inner.real) / area
        a = (outer.real * wanted.imag - outer.imag * wanted.real) / area
        better = (np.abs(a) <= np.abs(level) * (1.0 + 1e-9)) & (np.abs(level) < np.abs(best))
        best = np.where(better, level, best)
        middle, at = np.where(better, a, middle), np.where(better, j, at)
    return best, middle, at
