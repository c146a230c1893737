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
from controllers.analysis.nonlinearity import Nonlinearity
from controllers.analysis.plant import Plant, plant_response
from sim.ports import Array

TO_ZERO = 1e-9
"""A sector whose lower end is below this share of its upper one starts at zero."""
FINE_POINTS, COARSE_POINTS = 1600, 300
HALVINGS = 18
MOST_FACTOR = 1e3


class Circle(NamedTuple):
    """What the criterion says; it is sufficient, not necessary."""

    certain: NDArray[np.bool_]
    """(M,) whether the loop is certain to be stable with any map in the sector, varying or not."""
    factor: Array
    """(M,) factor on the map up to which it is; below 1 where it is not certain. [-]"""
    frequency_hz: Array
    """(M,) where the response comes nearest to the circle. [Hz]"""
    axes_alone: bool
    """Whether axes were taken one at a time, cross-axis coupling left out: where the sector starts
    at zero, the loop may drift, and the criterion of both axes says nothing at zero frequency."""


def least_real_part(gain: Complex) -> Array:
    """Return min Re G over frequency (F, ...); a sector [0, k] is certain for k < -1 / it."""
    return np.asarray(gain.real.min(axis=0))


def sector_gain(linear_response: Complex, plant: Complex, place: str) -> Complex:
    """Return G (F, M, 2, 2) that the map sees: plant and linear part, in the order of the loop."""
    if place == "mismatch":
        return np.asarray(plant @ linear_response)
    return np.asarray(linear_response @ plant)


def circle_criterion(found: Nonlinearity, plant: Plant) -> Circle:
    """Hold the loops of a plant against the circle of a sector.

    With a middle c and a radius r, |map(e) - c e| <= r |e|, the loop is stable if it is so with the
    gain c alone and r times the largest singular value of (I + c G)^-1 G stays below 1 at all
    frequencies. For one axis and the sector [0, k] that is Re G > -1/k.

    References
    ----------
    .. [1] G. Zames, "On the input-output stability of time-varying nonlinear feedback systems",
       IEEE Trans. Automatic Control 11 (1966) 228 and 465 (from memory).
    """
    f, gain = _gain(found, plant, FINE_POINTS)
    if found.low <= TO_ZERO * found.high:
        own = np.stack([gain[..., 0, 0], gain[..., 1, 1]], axis=-1)
        least = least_real_part(own)
        factor = np.where(least < 0, -1.0 / np.where(least < 0, found.high * least, -1.0), np.inf)
        axis = factor.argmin(axis=-1)
        at = np.take_along_axis(own.real.argmin(axis=0), axis[:, None], axis=1)[:, 0]
        factor = np.minimum(factor.min(axis=-1), MOST_FACTOR)
        stable = _stable(found, plant, np.full(len(factor), 0.5 * found.high))
        factor = np.where(stable, factor, 0.0)
        return Circle(factor > 1.0, factor, f[at], True)
    ones = np.ones(len(plant.mix))
    size = _size(found, gain, ones)
    at = size.argmax(axis=0)
    certain = _stable(found, plant, found.middle * ones) & (size.max(axis=0) < 1.0)
    _, coarse = _gain(found, plant, COARSE_POINTS)
    low, high = np.full(len(ones), -np.log(MOST_FACTOR)), np.full(len(ones), np.log(MOST_FACTOR))
    low, high = np.where(certain, 0.0, low), np.where(certain, high, 0.0)
    for _ in range(HALVINGS):
        k = np.exp(0.5 * (low + high))
        holds = _stable(found, plant, found.middle * k)
        holds &= _size(found, coarse, k).max(axis=0) < 1.0
        low, high = np.where(holds, np.log(k), low), np.where(holds, high, np.log(k))
    return Circle(certain, np.exp(low), f[at], False)


def _gain(found: Nonlinearity, plant: Plant, points: int) -> tuple[Array, Complex]:
    f = frequency_grid(Loop(found.linear, plant), points)
    linear = controller_response(found.linear, f, plant.frame_s)
    return f, sector_gain(linear, plant_response(plant, f), found.place)


def _size(found: Nonlinearity, gain: Complex, k: Array) -> Array:
    """r times the largest singular value of (I + c G)^-1 G, for the sector times k. (F, M)"""
    scaled = gain * (found.middle * k)[:, None, None]
    inside = sensitivity(scaled) @ (gain * k[:, None, None])
    return found.radius * largest_singular_value(inside)


def _stable(found: Nonlinearity, plant: Plant, factor: Array) -> NDArray[np.bool_]:
    f = factor[:, None, None]
    linear = found.linear._replace(C=found.linear.C * f, D=found.linear.D * f)
    return np.asarray(growth(close(Loop(linear, plant))) < 1.0)
