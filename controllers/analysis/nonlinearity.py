"""What keeps a controller from being linear: looked at by trial steps, and said.

Many laws are linear but for one static nonlinearity, before or behind all memory: a dead band on
the mismatch, a gain that depends on its size, readings or corrections that are rounded. Such a law
is `linear part, nonlinearity` in series, and the nonlinearity lies in a sector; what that says of
the loop is in `controllers.analysis.circle_criterion` and `describing_function`.
"""

from collections.abc import Callable, Sequence
from typing import Any, Literal, NamedTuple

import numpy as np

from controllers.analysis.trials import (
    FAR_RAD,
    SMALL_RAD,
    LinearController,
    by_trial,
    free_step,
    warmed_up,
)
from sim.foundations.ports import Array

TRIALS_RAD = (2.0**10, SMALL_RAD, 2.0**-6)
"""Sizes at which the linear part is looked for: steps of rounding vanish against the first, a
correction that saturates needs the smaller ones."""
PROBES_RAD = np.geomspace(1e-8, 0.2, 700)
"""Mismatches at which slopes are taken: up to beyond any mirror's tilt. [rad]"""
REFINED, ROUNDS = 60, 4
"""Probes around the steepest and the flattest, and how often they are drawn closer."""
FRAMES, PROOF = 48, 1e-5
"""Frames of the proof, and the largest relative difference in it."""
STEPPED = 0.5
"""A response that takes fewer values than this share of the probes is a staircase."""
LEAST_SLOPE = 1e-9

Map = Callable[[Array], Array]


class Nonlinearity(NamedTuple):
    """A static map of (x, y), in series with a linear part."""

    linear: LinearController
    """The part with the memory; the map's slopes are against it."""
    place: Literal["mismatch", "correction"]
    """Whether the map comes before or behind the linear part."""
    low: float
    """Smallest slope map(a) / a of any mirror and axis. [-]"""
    high: float
    """Largest. [-]"""
    middle: float
    radius: float
    """|map(e) - middle e| is at most radius |e| for all e that were tried, in any direction. [-]"""
    value: Map
    """(M, 2) to (M, 2); at mismatch or correction. [rad]"""
    kind: str
    """In words."""


class NotLinearError(ValueError):
    """A controller without matrices; `found` is its nonlinearity if that is static."""

    def __init__(self, message: str, found: Nonlinearity | None) -> None:
        super().__init__(message)
        self.found = found


def look_into(
    controller: Any, n_mirrors: int, amplitudes_rad: Sequence[float]
) -> tuple[str, Nonlinearity | None]:
    """Return what was seen, in words, and the nonlinearity if the rest of the law is linear."""
    state = warmed_up(controller, n_mirrors)
    _, rest = free_step(controller, state, np.zeros((n_mirrors, 2)))

    def first(error_rad: Array) -> Array:
        return free_step(controller, state, error_rad)[1] - rest

    kind = _kind(first, n_mirrors)
    for size in TRIALS_RAD:
        linear = by_trial(controller, n_mirrors, size)
        if not all(np.isfinite(part).all() for part in linear):
            continue
        direct = np.einsum("maa->ma", linear.D)
        across = np.abs(linear.D - np.einsum("ma,ab->mab", direct, np.eye(2))).max()
        if not (np.abs(direct) > LEAST_SLOPE).all() or across > 1e-9 * np.abs(direct).max():
            continue

        def before(e: Array, d: Array = direct) -> Array:
            return first(e) / d

        def behind(w: Array, d: Array = direct) -> Array:
            return first(w / d)

        places: tuple[tuple[Literal["mismatch", "correction"], Map], ...] = (
            ("mismatch", before), ("correction", behind),
        )  # fmt: skip
        for place, value in places:
            if _holds(controller, linear, place, value, n_mirrors, amplitudes_rad):
                found = _sector(linear, place, value, n_mirrors, kind)
                return (
                    f"seen: {kind}; the rest of the law is linear, and this map of the {place} has "
                    f"slopes from {found.low:.4g} to {found.high:.4g}",
                    found,
                )
    return f"seen: {kind}", None


def _kind(first: Map, m: int) -> str:
    """Say how the first correction depends on the mismatch, for the axis that bends most."""
    probes = np.concatenate([-PROBES_RAD[::-1], PROBES_RAD])
    out = np.stack([first(np.full((m, 2), a)) for a in probes])  # (P, M, 2)
    slope = out / probes[:, None, None]
    spread = np.ptp(slope, axis=0)
    i, axis = np.unravel_index(int(np.nanargmax(spread)), spread.shape)
    y, s = out[:, i, axis], slope[:, i, axis]
    who = f"axis {'xy'[axis]}" + (f" of mirror {i + 1} of {m}" if m > 1 else "")
    if not np.isfinite(y).all():
        return f"corrections that are not finite numbers, {who}"
    if spread[i, axis] <= 1e-6 * max(np.abs(s).max(), LEAST_SLOPE):
        return "a correction that depends on the past or on time otherwise than linearly"
    size, up = np.abs(probes), probes > 0
    still = np.abs(y) <= 1e-12 * np.abs(y).max()
    inside = size[still].max() if still.any() else 0.0
    uneven = np.abs(y[up] + y[~up][::-1]).max() > 1e-6 * np.abs(y).max()
    small = (size < 40 * max(inside, probes[up][0])) & ~still
    values = len(np.unique(np.round(y[small] / max(np.abs(y[small]).max(initial=0.0), 1e-300), 9)))
    if inside and values < STEPPED * small.sum():
        step = np.diff(np.unique(np.round(np.abs(y[small]), 15)))
        step = step[step > 1e-6 * step.max()].min()
        return (
            f"rounding: the correction moves in steps of {1e6 * step:.3g} urad and stays at rest "
            f"for mismatches up to {1e6 * inside:.3g} urad, {who}"
        )
    if inside:
        return f"a dead band: no correction for mismatches up to {1e6 * inside:.3g} urad, {who}"
    if uneven:
        return f"another correction for a mismatch than for its opposite, {who}"
    low, high = s[up].argmin(), s[up].argmax()
    return (
        f"a gain that depends on size: {s[up][low]:.4g} at {1e6 * PROBES_RAD[low]:.3g} urad, "
        f"{s[up][high]:.4g} at {1e6 * PROBES_RAD[high]:.3g} urad, {who}"
    )


def _holds(
    controller: Any, linear: LinearController, place: str, value: Map, m: int,
    amplitudes_rad: Sequence[float],
) -> bool:  # fmt: skip
    """Whether map and linear part in series give what the controller does."""
    for amplitude in amplitudes_rad:
        errors = amplitude * np.random.default_rng(2).standard_normal((FRAMES, m, 2))
        state = warmed_up(controller, m)
        _, rest = free_step(controller, state, np.zeros((m, 2)))
        x = np.zeros((m, linear.A.shape[-1], 1))
        worst, largest = 0.0, 1e-3 * amplitude
        for error in errors:
            state, got = free_step(controller, state, error)
            e = (value(error) if place == "mismatch" else error)[..., None]
            expected = (linear.C @ x + linear.D @ e)[..., 0]
            x = linear.A @ x + linear.B @ e
            if place == "correction":
                expected = value(expected)
            largest = max(largest, float(np.abs(got - rest).max()))
            worst = max(worst, float(np.abs(got - rest - expected).max()))
        if not worst <= PROOF * largest:
            return False
    return True


def _sector(
    linear: LinearController, place: Literal["mismatch", "correction"], value: Map, m: int,
    kind: str,
) -> Nonlinearity:  # fmt: skip
    """Find the slopes, closer around the extreme ones, and the ball about their middle."""
    probes = PROBES_RAD

    def slopes(sizes: Array) -> Array:
        both = [value(np.full((m, 2), s * a)) / (s * a) for a in sizes for s in (1.0, -1.0)]
        return np.stack(both).reshape(len(sizes), -1)

    s = slopes(probes)
    ends = []
    for pick in (np.argmin, np.argmax):
        at = int(pick(s)) // s.shape[1]
        near, step = probes[at], probes[1] / probes[0]
        best = float(pick is np.argmin and s.min() or s.max())
        for _ in range(ROUNDS):
            closer = near * np.geomspace(1 / step, step, REFINED)
            t = slopes(closer)
            k = int(pick(t))
            best = float(min(best, t.min()) if pick is np.argmin else max(best, t.max()))
            near, step = closer[k // t.shape[1]], step ** (3.0 / REFINED)
        ends.append(best)
    low, high = min(ends) + 0.0, max(ends) + 0.0
    middle, radius = 0.5 * (low + high), 0.5 * (high - low)
    rng = np.random.default_rng(3)
    for size in np.geomspace(probes[0], probes[-1], 200):
        e = rng.standard_normal((m, 2))
        e *= size / np.hypot(e[:, 0], e[:, 1])[:, None]
        off = np.linalg.norm(value(e) - middle * e, axis=1) / size
        radius = max(radius, float(off.max()))
    return Nonlinearity(linear, place, low, high, middle, radius, value, kind)


assert PROBES_RAD[-1] < FAR_RAD
