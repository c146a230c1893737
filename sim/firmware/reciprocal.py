"""Division and square root without a divider: a table of reciprocals, and shift and subtract."""

import numpy as np
from numpy.typing import ArrayLike

from sim.firmware.rounding import Whole


def reciprocal_table(bits: int, word_bits: int) -> Whole:
    """Return 2^bits reciprocals of the centres of equal intervals of [1, 2).

    Parameters
    ----------
    bits : int
        Of the index.
    word_bits : int
        Of an entry: 1 / d as a number of [0, 1], times 2^word_bits.

    Returns
    -------
    (2^bits,) ndarray of int64

    Notes
    -----
    The entry for the centre c of an interval is 1 / c to half a unit of the word: with the word
    long enough, |d r - 1| stays within 1 / (2^(bits + 1) + 1). An entry for the left edge is twice
    as bad.
    """
    twice_centre = 2 * np.arange(1 << bits, dtype=np.int64) + 1 + (2 << bits)
    top = np.int64(1) << np.int64(bits + 1 + word_bits)
    return np.asarray((2 * top + twice_centre) // (2 * twice_centre), np.int64)


def square_root(values: ArrayLike) -> Whole:
    """Return floor(sqrt(value)), bit by bit: shift, compare, subtract.

    Parameters
    ----------
    values : (...) array_like of int
        From 0 to 2^62 - 1.

    Raises
    ------
    ValueError
        If a value is outside.
    """
    left = np.asarray(values, np.int64).copy()
    if left.size and (left.min() < 0 or left.max() >= 1 << 62):
        raise ValueError("values: must be 0 to 2^62 - 1")
    root = np.zeros_like(left)
    for place in range(60, -1, -2):
        bit = np.int64(1 << place)
        fits = left >= root + bit
        left = np.where(fits, left - root - bit, left)
        root = np.where(fits, (root >> 1) + bit, root >> 1)
    return root


def quotient(numerator: ArrayLike, denominator: ArrayLike, bits: int) -> Whole:
    """Return floor(numerator / denominator) for 0 <= numerator < denominator 2^bits.

    Shift and subtract, one bit of the quotient at a time, as a processor without a divider does.

    Raises
    ------
    ValueError
        If the quotient does not fit.
    """
    left, d = np.asarray(numerator, np.int64), np.asarray(denominator, np.int64)
    if (d <= 0).any() or (left < 0).any() or ((left >> bits) >= d).any():
        raise ValueError(f"quotient: must be of 0 to 2^{bits} - 1")
    left, found = np.broadcast_arrays(left, np.zeros(np.broadcast_shapes(left.shape, d.shape), int))
    left, found = left.astype(np.int64), found.astype(np.int64)
    for place in range(bits - 1, -1, -1):
        part = d << np.int64(place)
        fits = left >= part
        left = np.where(fits, left - part, left)
        found = found + (fits.astype(np.int64) << np.int64(place))
    return found
