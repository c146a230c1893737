"""Fixed-point numbers: a word of bits, some of them behind the point."""

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from sim.firmware.rounding import Whole
from sim.foundations.ports import Array

MOST_BITS = 62
"""Longest word of the model: one bit of an int64 is left to see an overflow with."""


class QFormat(NamedTuple):
    """A signed word (two's complement): the number it holds is word / 2^fraction."""

    bits: int
    """Of the word, its sign included."""
    fraction: int
    """Bits behind the point; below zero, or more than there are, is allowed."""

    @property
    def lowest(self) -> int:
        """Lowest word."""
        return -(1 << (self.bits - 1))

    @property
    def highest(self) -> int:
        """Highest word."""
        return (1 << (self.bits - 1)) - 1

    @property
    def step(self) -> float:
        """What one unit of the word stands for."""
        return float(2.0**-self.fraction)

    @property
    def words(self) -> str:
        """As it is written: whole bits and bits behind the point."""
        return f"Q{self.bits - 1 - self.fraction}.{self.fraction}"

    def saturated(self, words: ArrayLike) -> Whole:
        """Return words cut off at what the format holds."""
        return np.clip(np.asarray(words, np.int64), self.lowest, self.highest)

    def overflows(self, words: ArrayLike) -> np.ndarray:
        """Return which words the format does not hold."""
        whole = np.asarray(words, np.int64)
        return np.asarray((whole < self.lowest) | (whole > self.highest))

    def nearest(self, values: ArrayLike) -> Whole:
        """Return the nearest words (ties to even), cut off at what the format holds."""
        exact = np.rint(np.ldexp(np.asarray(values, float), self.fraction))
        return np.clip(exact, self.lowest, self.highest).astype(np.int64)

    def value(self, words: ArrayLike) -> Array:
        """Return the numbers that words stand for; exact up to 53 bits."""
        return np.ldexp(np.asarray(words, float), -self.fraction)


def holding(largest: float, bits: int) -> QFormat:
    """Return the format of so many bits with the finest step that holds +- the largest value.

    Parameters
    ----------
    largest : float
        Above zero.
    bits : int
        Of the word, its sign included; 2 to `MOST_BITS`.

    Raises
    ------
    ValueError
        If there is no such format.
    """
    if not (np.isfinite(largest) and largest > 0):
        raise ValueError(f"largest: must be finite and above zero, got {largest}")
    if not 2 <= bits <= MOST_BITS:
        raise ValueError(f"bits: must be 2 to {MOST_BITS}, got {bits}")
    fraction = bits - 1 - int(np.frexp(largest)[1])
    found = QFormat(bits, fraction)
    if round(float(np.ldexp(largest, fraction))) > found.highest:
        return QFormat(bits, fraction - 1)
    return found
