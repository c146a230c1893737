"""Sums over pixels: how long they can get, and whether their words hold them."""

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from sim.firmware.rounding import Whole
from sim.firmware.settings import EstimatorArithmetic

LENGTHS = (16, 32, 62)
"""Words of sums that are proposed: what processors have."""
EXACT_FLOAT_BITS = 53
"""Whole numbers of so many bits, and their sums and products, are exact in a float64."""


class SumRange(NamedTuple):
    """How far a sum over pixels can go, whatever the frame."""

    name: str
    largest: int
    """Either way."""
    example: str
    """A frame that takes it there."""

    @property
    def bits(self) -> int:
        """Of a word that holds it, sign included."""
        return self.largest.bit_length() + 1


def sum_word(a: EstimatorArithmetic, ranges: tuple[SumRange, ...]) -> int:
    """Return the bits of the word of sums: those asked for, or the shortest that holds any frame.

    Raises
    ------
    ValueError
        If sums are to be proven, and a frame takes one out of its word; the message shows it.
    """
    worst = max(ranges, key=lambda each: each.largest)
    if a.sum_bits is None:
        fits = [bits for bits in LENGTHS if bits >= worst.bits]
        if not fits:
            raise ValueError(f"{worst.name} takes {worst.bits} bits: {worst.example}")
        return fits[0]
    if a.sum_bits < worst.bits and a.overflow == "refused":
        raise ValueError(
            f"sum_bits: {worst.name} takes {worst.bits} bits (got {a.sum_bits}); it reaches "
            f"{worst.largest} with {worst.example}; "
            'take more bits, or overflow = "saturates"'
        )
    return a.sum_bits


def products(left: ArrayLike, right: ArrayLike, bits: int) -> Whole:
    """Return the matrix product of whole numbers whose sums fit so many bits, exactly.

    Up to 53 bits float64 does that, and quickly; the numbers are whole either way.
    """
    if bits <= EXACT_FLOAT_BITS:
        found = np.asarray(left, np.float64) @ np.asarray(right, np.float64)
        return found.astype(np.int64)
    return np.asarray(left, np.int64) @ np.asarray(right, np.int64)


def refuse_saturation(a: EstimatorArithmetic) -> None:
    """Refuse sums that are cut off, where an estimator has none of one pass to cut off.

    Raises
    ------
    ValueError
        If `overflow` says so.
    """
    if a.overflow == "saturates":
        raise ValueError(
            'overflow: only the sums of a thresholded centroid can be cut off; take "refused"'
        )
