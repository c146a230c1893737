"""Rounding of whole-number quotients; what happens at a tie is part of the name."""

from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray

Whole = NDArray[np.int64]


class Rounding(StrEnum):
    """To which whole number a quotient goes; the tie rule matters to limit cycles and bias."""

    AWAY = "away"
    """To the nearest, ties away from zero."""
    EVEN = "even"
    """To the nearest, ties to the even number."""
    UP = "up"
    """To the nearest, ties upward: add a half and shift, the cheapest one without a bias to speak
    of."""
    FLOOR = "floor"
    """Downward: a plain arithmetic shift. Half a unit of bias, which a loop follows."""
    ZERO = "zero"
    """Towards zero: division in C. No bias for a symmetric signal, a dead zone of two units."""


def divided(numerator: ArrayLike, denominator: ArrayLike, rounding: Rounding) -> Whole:
    """Return numerator / denominator, rounded to a whole number.

    Exact as long as twice the numerator and three times the denominator fit 63 bits.

    Parameters
    ----------
    numerator : (...) array_like of int
        Of any sign.
    denominator : (...) array_like of int
        Above zero.
    rounding : Rounding
        Where to.

    Returns
    -------
    (...) ndarray of int64

    Raises
    ------
    ValueError
        If a denominator is not above zero.
    """
    n, d = np.asarray(numerator, np.int64), np.asarray(denominator, np.int64)
    if (d <= 0).any():
        raise ValueError(f"denominator: must be above zero, got {int(d.min())}")
    quotient = n // d
    twice = 2 * (n - quotient * d)
    if rounding is Rounding.FLOOR:
        more = np.zeros_like(quotient, dtype=bool)
    elif rounding is Rounding.ZERO:
        more = (n < 0) & (twice > 0)
    elif rounding is Rounding.UP:
        more = twice >= d
    elif rounding is Rounding.AWAY:
        more = (twice > d) | ((twice == d) & (n > 0))
    else:
        more = (twice > d) | ((twice == d) & (quotient % 2 == 1))
    return np.asarray(quotient + more, np.int64)


def shifted(values: ArrayLike, bits: int, rounding: Rounding) -> Whole:
    """Return values / 2^bits, rounded; exact multiples for bits below zero.

    Parameters
    ----------
    values : (...) array_like of int
        Of any sign.
    bits : int
        Places to the right, at most 61.
    rounding : Rounding
        Where to.
    """
    whole = np.asarray(values, np.int64)
    if bits <= 0:
        return whole << -bits
    if rounding is Rounding.UP:
        return np.asarray((whole + (np.int64(1) << np.int64(bits - 1))) >> np.int64(bits))
    return divided(whole, np.int64(1) << np.int64(bits), rounding)
