"""The circle criterion: loops with a nonlinearity in a sector that are certain to be stable."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from controllers.analysis.linear_loop import (
    Complex,
    Loop,
    close,
    controller_response,
    frequency_grid,
    growth,
    largest_singular_value,
    sensitivity,
)
from controllers.analysis.nonlinearity import PROBES_RAD, Nonlinearity
from controllers.analysis.plant import Plant, plant_response
from sim.foundations.ports import Array

TO_ZERO = 1e-9
"""A sector whose lower end is below this share of its upper one starts at zero."""
FINE_POINTS, COARSE_POINTS = 1600, 300
HALVINGS = 18
MOST_FACTOR = 1e3


LIFTS = (0.1, 0.01, 0.001)
"""Lower ends, as shares of the upper one, that are tried in place of a sector's zero."""
LIFT_HALVINGS = 12
FAR = 0.1
"""A map that is flat beyond this share of the largest probe is flat for good."""


class Circle(NamedTuple):
    """What the criterion says; it is sufficient, not necessary."""

    certain: NDArray[np.bool_]
    """(M,) whether the loop, both axes coupled, is certain to be stable with any map in the sector,
    varying or not; where the sector starts at zero: certain to come within `rest_rad`."""
    factor: Array
    """(M,) factor on the map up to which it is; below 1 where it is not certain. [-]"""
    frequency_hz: Array
    """(M,) where the response comes nearest to the circle. [Hz]"""
    from_zero: bool
    """Whether the sector starts at zero, so that a loop may stand anywhere in its dead band."""
    rest_rad: Array
    """(M,) most that the map's argument can be in the long run, rms of both axes together; zero
    where it dies out, infinite where nothing is certain. [rad]"""


def least_real_part(gain: Complex) -> Array:
    """Return min Re G over frequency (F, ...); a sector [0, k] is certain for k < -1 / it."""
    return np.asarray(gain.real.min(axis=0))


def sector_gain(linear_response: Complex, plant: Complex, place: str) -> Complex:
    """Return G (F, M, 2, 2) that the map sees: plant and linear part, in the order of the loop."""
    if place == "mismatch":
        return np.asarray(plant @ linear_response)
    return np.asarray(linear_response @ plant)


def circle_criterion(found: Nonlinearity, plant: Plant) -> Circle:
    """Hold the loops of a plant against the circle of a sector [a, b].

    With a middle c and a radius r, |map(e) - c e| <= r |e|, the loop is stable if it is so with the
    gain c alone and r times the largest singular value of (I + c G)^-1 G stays below 1 at all
    frequencies: both axes with their coupling. For one axis that is a circle through -1/a and -1/b
    which G must keep out of; for the sector [0, k] it is Re G > -1/k.

    A sector that starts at zero leaves a loop with an integral no rate at which it must come to
    rest, and the coupled form then says nothing at zero frequency. Each axis alone is held against
    Re G > -1/k. For both together the map is taken as one of the sector [a, k], a small, plus what
    is missing at small arguments, which is at most d: the loop is certain to stay bounded, and by
    the same small gain the rms of the map's argument comes within h d / (1 - r h), h the largest
    singular value above.

    Parameters
    ----------
    found : Nonlinearity
        The controller's map of the error, with its sector.
    plant : Plant
        Of M mirrors.

    Returns
    -------
    Circle
        Certainty, factor and frequency of each mirror, (M,).

    References
    ----------
    .. [1] G. Zames, "On the input-output stability of time-varying nonlinear feedback systems",
       IEEE Trans. Automatic Control 11 (1966) 228 and 465 (from memory).
    """
    if abs(found.low) <= TO_ZERO * found.high:
        return _from_zero(found, plant)
    f, gain = _gain(found, plant, FINE_POINTS)
    ones = np.ones(len(plant.mix))
    size = disc_size(gain, found.middle * ones, found.radius * ones)
    at = size.argmax(axis=0)
    certain = _stable(found, plant, found.middle * ones) & (size.max(axis=0) < 1.0)
    factor = _factor(found, plant, found.middle, found.radius, certain, HALVINGS)
    return Circle(certain, factor, f[at], False, np.where(certain, 0.0, np.inf))


def _from_zero(found: Nonlinearity, plant: Plant) -> Circle:
    f, gain = _gain(found, plant, FINE_POINTS)
    own = np.stack([gain[..., 0, 0], gain[..., 1, 1]], axis=-1)
    least = least_real_part(own)
    alone = np.where(least < 0, -1.0 / np.where(least < 0, found.high * least, -1.0), np.inf)
    axis = alone.argmin(axis=-1)
    at = np.take_along_axis(own.real.argmin(axis=0), axis[:, None], axis=1)[:, 0]
    alone = np.minimum(alone.min(axis=-1), MOST_FACTOR)
    ones = np.ones(len(alone))
    stable = _stable(found, plant, 0.5 * found.high * ones)
    both, rest = 0.0 * ones, np.inf * ones
    for lift in LIFTS:
        low = lift * found.high
        missing = _missing(found, low, len(ones))
        if missing is None:
            continue
        middle = 0.5 * (found.high + low)
        # What turns with the direction of the argument is in the radius that was found.
        radius = 0.5 * (found.high - low) + max(found.radius - 0.5 * found.high, 0.0)
        size = disc_size(gain, middle * ones, radius * ones).max(axis=0)
        holds = _stable(found, plant, middle * ones) & (size < 1.0)
        left = np.sqrt(2.0) * missing * size / radius / np.maximum(1.0 - size, 1e-12)
        rest = np.where(holds, np.minimum(rest, left), rest)
        both = np.maximum(both, _factor(found, plant, middle, radius, holds, LIFT_HALVINGS))
    factor = np.where(stable, np.minimum(alone, both), 0.0)
    certain = (factor > 1.0) & np.isfinite(rest)
    return Circle(certain, factor, f[at], True, np.where(certain, rest, np.inf))


def _missing(found: Nonlinearity, low: float, m: int) -> float | None:
    """Return by how much the map falls short of a slope at small arguments; None if at large ones.

    [rad]
    """
    sizes = np.concatenate([-PROBES_RAD[::-1], PROBES_RAD])
    value = np.stack([found.value(np.full((m, 2), a)) for a in sizes]).reshape(len(sizes), -1)
    short = low * np.abs(sizes)[:, None] - value * np.sign(sizes)[:, None]
    flat = (short > 0).any(axis=1)
    if not flat.any():
        return 0.0
    if np.abs(sizes[flat]).max() > FAR * PROBES_RAD[-1]:
        return None
    return float(short[flat].max())


def _factor(
    found: Nonlinearity, plant: Plant, middle: float, radius: float, certain: NDArray[np.bool_],
    halvings: int,
) -> Array:  # fmt: skip
    """Return the factor (M,) on a map of this middle and radius up to which loops are certain."""
    _, coarse = _gain(found, plant, COARSE_POINTS)
    most = np.log(MOST_FACTOR)
    low, high = np.where(certain, 0.0, -most), np.where(certain, most, 0.0)
    for _ in range(halvings):
        k = np.exp(0.5 * (low + high))
        holds = _stable(found, plant, middle * k)
        holds &= disc_size(coarse, middle * k, radius * k).max(axis=0) < 1.0
        low, high = np.where(holds, np.log(k), low), np.where(holds, high, np.log(k))
    return np.asarray(np.exp(low))


def _gain(found: Nonlinearity, plant: Plant, points: int) -> tuple[Array, Complex]:
    f = frequency_grid(Loop(found.linear, plant), points)
    linear = controller_response(found.linear, f, plant.frame_s)
    return f, sector_gain(linear, plant_response(plant, f), found.place)


def disc_size(gain: Complex, middle: Array, radius: Array) -> Array:
    """Return r times the largest singular value of (I + c G)^-1 G (F, M); below 1 it keeps out.

    Parameters
    ----------
    gain : (F, M, 2, 2) ndarray of complex
        G, what the map sees.
    middle, radius : (M,) ndarray
        c and r of the sector. [-]
    """
    inside = sensitivity(gain * middle[:, None, None]) @ gain
    return np.asarray(radius * largest_singular_value(inside))


def _stable(found: Nonlinearity, plant: Plant, factor: Array) -> NDArray[np.bool_]:
    f = factor[:, None, None]
    linear = found.linear._replace(C=found.linear.C * f, D=found.linear.D * f)
    return np.asarray(growth(close(Loop(linear, plant))) < 1.0)
