"""Quotients at their rounding corners: on a tie, and the least step below it and above it.

Found by solving for the numerator, modulo the divisor, or, by a reciprocal, modulo the shift.
"""

from collections.abc import Iterator
from math import gcd
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.firmware.rounding import Whole
from sim.firmware.spots.division import (
    MOST_BITS,
    Divider,
    quotient_bits,
    quotient_words,
    reciprocal_words,
    right_shift,
)
from sim.foundations.rng import philox

DENOMINATORS: Final = 32
KEY: Final = (2026, 1130)
TURNS: Final = (-2, -1, 0, 1)
"""Periods that a numerator is moved by: other signs and other last bits of the quotient."""


class Quotients(NamedTuple):
    """Quotients by themselves, N rows."""

    numerator: Whole
    denominator: Whole
    shift: Whole
    """Bits behind the point of the quotient."""
    quotient: Whole


def longest_numerator(divider: Divider, shift: int, word_bits: int) -> int:
    """Return the bits of the longest numerator, sign included, whose products all fit."""
    bits = word_bits - shift
    while quotient_bits(divider, bits, shift) > MOST_BITS:
        bits -= 1
    return bits


def corner_quotients(divider: Divider, shifts: tuple[int, ...], word_bits: int) -> Quotients:
    """Return quotients at corners, for divisors of every length.

    Parameters
    ----------
    divider : Divider
        How an estimator divides.
    shifts : tuple of int
        Bits behind the point of its quotients.
    word_bits : int
        Of a numerator that is shifted up, sign included.
    """
    rows = []
    for number, shift in enumerate(shifts):
        bits = longest_numerator(divider, shift, word_bits)
        for d in _denominators(bits - 1, shift, number):
            for side in (-1, 0, 1):
                for n in numerators_at(d, side, shift, divider):
                    if abs(n) < 1 << (bits - 1):
                        rows.append((n, d, shift))
    n, d, s = np.array(rows, np.int64).T
    q = [quotient_words(n[s == each], d[s == each], each, divider) for each in shifts]
    order = np.concatenate([np.flatnonzero(s == each) for each in shifts])
    return Quotients(n[order], d[order], s[order], np.concatenate(q))


def _denominators(most_bits: int, shift: int, number: int) -> Iterator[int]:
    """Return divisors of every length; every second one is a multiple of 2^(shift + 1).

    An exact quotient comes to a tie for such a divisor alone.
    """
    counter = np.zeros((DENOMINATORS, 4), np.int64)
    counter[:, 0], counter[:, 1] = np.arange(DENOMINATORS), number
    drawn = philox(counter, KEY)[:, :2].astype(np.int64)
    for i, (low, high) in enumerate(drawn.tolist()):
        bits = 2 + (most_bits - 2) * i // (DENOMINATORS - 1)
        d = (1 << (bits - 1)) + ((high << 32 | low) & ((1 << (bits - 1)) - 1))
        if i % 2 and bits > shift + 1:
            d = d >> (shift + 1) << (shift + 1)
        yield d


def numerators_at(d: int, side: int, shift: int, divider: Divider) -> Iterator[int]:
    """Return numerators whose quotient by d is on a tie (side 0) or a least step beside it."""
    if divider.by_reciprocal:
        r = int(reciprocal_words(np.array([d]), divider)[0])
        right = divider.word_bits + d.bit_length() - 1 - shift
        modulus, factor = 1 << max(right, 0), r
    else:
        modulus, factor = d, 1 << shift
    step = gcd(factor, modulus)
    rest = _rest_at(modulus, step, side)
    if rest is None:
        return
    period = modulus // step
    first = rest // step * pow(factor // step, -1, period) % period
    yield from (first + turn * period for turn in TURNS)


def _rest_at(modulus: int, step: int, side: int) -> int | None:
    """Return the remainder at a corner, a multiple of the step; None if there is none."""
    below, on = divmod(modulus, 2 * step)
    if side == 0:
        return modulus // 2 if on == 0 and below > 0 else None
    # The last multiple below half the modulus, and the first above it.
    last, first = ((modulus + 1) // 2 - 1) // step, modulus // 2 // step + 1
    rest = step * (last if side < 0 else first)
    return rest if 0 < rest < modulus else None


def sides_of(
    numerator: Whole, denominator: Whole, shift: int, divider: Divider
) -> NDArray[np.int64]:
    """Return -1, 0 or 1 for a least step below, on, and above a tie, and 9 for neither."""
    n = np.asarray(numerator, np.int64)
    d = np.asarray(denominator, np.int64)
    if divider.by_reciprocal:
        right = right_shift(d, shift, divider)
        modulus = np.int64(1) << np.maximum(right, 0)
        factor = reciprocal_words(d, divider)
        rest = (n * factor) & (modulus - 1)
    else:
        modulus, factor = d, np.full(d.shape, 1 << shift, np.int64)
        rest = (n << np.int64(shift)) % d
    step = np.gcd(factor, modulus)
    from_tie = 2 * rest - modulus
    near = (np.abs(from_tie) <= 2 * step) & (modulus > step)
    return np.where(near, np.sign(from_tie), 9)
