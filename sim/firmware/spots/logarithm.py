"""Logarithms to the base 2 by a table and a straight line between its entries."""

import math

import numpy as np

from sim.firmware.rounding import Rounding, Whole
from sim.firmware.spots.division import highest_one, moved
from sim.firmware.spots.noting import shifted_at

INDEX_BITS = 8
LOG_FRACTION = 16
"""Bits behind the point of a logarithm, which is off by 4e-5 at most."""


def log_table() -> tuple[int, ...]:
    """Return 257 logarithms of 1, 1 + 1/256, ... 2, times 2^`LOG_FRACTION`."""
    count = 1 << INDEX_BITS
    return tuple(round(math.log2(1 + i / count) * 2**LOG_FRACTION) for i in range(count + 1))


def log_words(values: Whole, table: tuple[int, ...]) -> Whole:
    """Return log2 of values of 1 to 2^62 - 1, times 2^`LOG_FRACTION`.

    Notes
    -----
    1. e = place of the value's highest one.
    2. m = the 16 bits below it: (v >> (e - 16)) - 2^16, or (v << (16 - e)) - 2^16 where e < 16.
    3. i = m >> 8, f = m & 255.
    4. log = (e << 16) + table[i] + (((table[i + 1] - table[i]) f + 128) >> 8).
    """
    e = highest_one(values)
    m = moved(values, 2 * INDEX_BITS - e) - (1 << (2 * INDEX_BITS))
    entries = np.array(table, np.int64)
    i, f = m >> INDEX_BITS, m & ((1 << INDEX_BITS) - 1)
    part = (entries[i + 1] - entries[i]) * f
    part = shifted_at("logarithm between two entries", part, INDEX_BITS, Rounding.UP)
    return (e << LOG_FRACTION) + entries[i] + part
