"""Quotients of two words: by a divider, by shift and subtract, or by a table of reciprocals."""

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from sim.firmware.reciprocal import reciprocal_table
from sim.firmware.rounding import Rounding, Whole, divided
from sim.firmware.settings import EstimatorArithmetic

MOST_BITS = 61
"""Longest product of the model, sign included; two are left to round with."""


class Divider(NamedTuple):
    """How two words are divided."""

    rounding: Rounding
    by_reciprocal: bool
    """False: exactly, by a divider or by shift and subtract, which give the same bits."""
    index_bits: int
    word_bits: int
    """Bits behind the point of an entry."""
    newton_steps: int
    table: tuple[int, ...]
    """2^index_bits entries, times 2^word_bits; empty if not `by_reciprocal`."""

    @property
    def relative_error(self) -> float:
        """Largest relative error of the reciprocal before a quotient is rounded. [-]"""
        if not self.by_reciprocal:
            return 0.0
        unit = 2.0**-self.word_bits
        table = 1.0 / (2 ** (self.index_bits + 1) + 1) + unit
        for _ in range(self.newton_steps):
            table = table**2 + 4 * unit
        return table


def divider_of(a: EstimatorArithmetic) -> Divider:
    """Return the division that settings ask for."""
    if a.division != "reciprocal":
        return Divider(Rounding(a.rounding), False, 0, 0, 0, ())
    table = reciprocal_table(a.reciprocal_index_bits, a.reciprocal_bits)
    return Divider(
        Rounding(a.rounding), True, a.reciprocal_index_bits, a.reciprocal_bits, a.newton_steps,
        tuple(table.tolist()),
    )  # fmt: skip


def quotient_bits(divider: Divider, numerator_bits: int, shift: int) -> int:
    """Return how many bits, sign included, the largest product of `quotient_words` takes."""
    if not divider.by_reciprocal:
        return numerator_bits + shift
    newton = 2 * divider.word_bits + 2 if divider.newton_steps else 0
    return max(numerator_bits + divider.word_bits + 1, newton, numerator_bits + shift)


def refuse_long(settings: str, *bits: int) -> None:
    """Refuse settings with which a product is too long.

    Raises
    ------
    ValueError
        Which names the settings, and by how much.
    """
    if max(bits) > MOST_BITS:
        raise ValueError(
            f"{settings}: a product takes {max(bits)} bits, and {MOST_BITS} are there"
        )


def quotient_words(
    numerator: ArrayLike, denominator: ArrayLike, shift: int, divider: Divider
) -> Whole:
    """Return numerator 2^shift / denominator as a whole number.

    Parameters
    ----------
    numerator : (...) array_like of int
        Of any sign; with so few bits that `quotient_bits` stays within `MOST_BITS`.
    denominator : (...) array_like of int
        Above zero.
    shift : int
        Bits behind the point of the quotient, 0 or more.
    divider : Divider
        How.

    Returns
    -------
    (...) ndarray of int64

    Notes
    -----
    Without a reciprocal: the exact quotient, rounded as `divider.rounding` says. With K =
    `index_bits` and w = `word_bits`:

    1. e = place of the highest one of the denominator d: 2^e <= d < 2^(e + 1).
    2. i = the K bits below it: (d >> (e - K)) - 2^K, or (d << (K - e)) - 2^K where e < K.
    3. r = table[i], about 2^(w + e) / d.
    4. For each Newton step: D = d << (w - e), or d >> (e - w) where e > w; t = 2^(2 w + 1) - D r;
       r = (r (t >> w)) >> w. All shifts are downward; the result is never too large.
    5. The quotient is numerator r / 2^(w + e - shift), rounded as `divider.rounding` says; a left
       shift where w + e < shift.
    """
    n, d = np.broadcast_arrays(np.asarray(numerator, np.int64), np.asarray(denominator, np.int64))
    if not divider.by_reciprocal:
        return divided(n << np.int64(shift), d, divider.rounding)
    right = right_shift(d, shift, divider)
    product = (n * reciprocal_words(d, divider)) << np.maximum(-right, 0)
    return divided(product, np.int64(1) << np.maximum(right, 0), divider.rounding)


def right_shift(denominator: Whole, shift: int, divider: Divider) -> Whole:
    """Return the places of the shift in step 5 of `quotient_words`."""
    return divider.word_bits + highest_one(denominator) - shift


def reciprocal_words(denominator: Whole, divider: Divider) -> Whole:
    """Return r of steps 1 to 4 of `quotient_words`: about 2^(w + e) / denominator."""
    e = highest_one(denominator)
    w, k = divider.word_bits, divider.index_bits
    r = np.array(divider.table, np.int64)[moved(denominator, k - e) - (1 << k)]
    for _ in range(divider.newton_steps):
        t = (np.int64(1) << np.int64(2 * w + 1)) - moved(denominator, w - e) * r
        r = (r * (t >> np.int64(w))) >> np.int64(w)
    return r


def highest_one(values: Whole) -> Whole:
    """Return the place of the highest one of values of 1 to 2^62 - 1; 0 for 1."""
    place = np.zeros(values.shape, np.int64)
    left = np.array(values, np.int64)
    for step in (32, 16, 8, 4, 2, 1):
        large = left >> np.int64(step) > 0
        place = place + np.where(large, step, 0)
        left = np.where(large, left >> np.int64(step), left)
    return place


def moved(values: Whole, left: Whole) -> Whole:
    """Return values shifted to the left by so many places each, or downward if negative."""
    return (values << np.maximum(left, 0)) >> np.maximum(-left, 0)
