"""How long connections were out: longest outage, and time until the light is back for good."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.foundations.ports import Array


class Outages(NamedTuple):
    """Of each of C connections, over some sampling intervals in a row."""

    longest_ms: Array
    """(C,) longest time out without a break. [ms]"""
    recovery_ms: Array
    """(C,) from the first tick out to the last; NaN if the last interval ends out. [ms]"""
    first_s: Array
    """(C,) from the start of the intervals to the first tick out; NaN if it never was. [s]"""


def outages(
    first_out: NDArray[np.integer],
    last_out: NDArray[np.integer],
    *,
    interval_ticks: int,
    tick_s: float,
) -> Outages:
    """Return the outages of connections.

    Between the first and the last tick out, an interval counts as out throughout, so that a short
    break inside one is not counted.

    Parameters
    ----------
    first_out, last_out : (T, C) ndarray of int
        First and last tick out in each interval, 1 to `interval_ticks`; 0 if none.
    interval_ticks : int
        Ticks to an interval.
    tick_s : float
        Length of a tick. [s]
    """
    n_rows, n = first_out.shape
    longest, current = np.zeros(n, np.int64), np.zeros(n, np.int64)
    open_end = np.zeros(n, bool)
    for first, last in zip(first_out, last_out, strict=True):
        out = first > 0
        joined = out & open_end & (first == 1)
        current = np.where(out, last - first + 1 + np.where(joined, current, 0), 0)
        longest = np.maximum(longest, current)
        open_end = out & (last == interval_ticks)
    out = first_out > 0
    ever = out.any(axis=0)
    columns = np.arange(n)
    if n_rows == 0:
        none = np.full(n, np.nan)
        return Outages(np.zeros(n), none, none)
    row_a = out.argmax(axis=0)
    row_b = n_rows - 1 - out[::-1].argmax(axis=0)
    begin = interval_ticks * row_a + first_out[row_a, columns] - 1
    end = interval_ticks * row_b + last_out[row_b, columns]
    recovery = np.where(ever, (end - begin) * tick_s * 1e3, 0.0)
    return Outages(
        np.asarray(longest * tick_s * 1e3, float),
        np.where(open_end, np.nan, recovery),
        np.where(ever, begin * tick_s, np.nan),
    )
