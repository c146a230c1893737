"""When something that was thrown out of tolerance is back for good: settling, time to light."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.foundations.ports import Array


class SettledTimes(NamedTuple):
    """When each of M columns came back within its limit after one command."""

    after_s: Array
    """(M,) from the command to the first tick of the dwell; NaN where it never came. [s]"""
    excursions: NDArray[np.int64]
    """(M,) how often it left again before the watch ended; 0 where it never came."""


def arrivals(
    first_out: NDArray[np.integer],
    last_out: NDArray[np.integer],
    *,
    interval_ticks: int,
    first_tick: int,
    command_tick: int,
    end_tick: int,
    dwell_ticks: int,
    tick_s: float,
) -> SettledTimes:
    """Return the time from a command to the first tick that starts a whole dwell inside.

    The ticks watched are those after `command_tick`, up to and with `end_tick`; a dwell that would
    end later is not complete and does not count. The time is rounded up to a tick; it is 0
    if no tick of the first dwell is outside. Between the first and the last tick outside, an
    interval counts as outside throughout: exact while the dwell is no shorter than an interval,
    late by up to one interval otherwise. Excursions in the same interval count as one.

    Parameters
    ----------
    first_out, last_out : (T, M) ndarray of int
        First and last tick outside in each interval, 1 to `interval_ticks`; 0 if none.
    interval_ticks : int
        Ticks to an interval.
    first_tick : int
        Number of the tick that ends just as the first interval starts; 0 for a whole run.
    command_tick, end_tick : int
        The command, and the last tick that is watched.
    dwell_ticks : int
        How many ticks in a row must be inside.
    tick_s : float
        Length of a tick. [s]

    Returns
    -------
    SettledTimes
        Time and later excursions of each column.

    Raises
    ------
    ValueError
        If the shapes differ, or a number of ticks is not as above.
    """
    if first_out.ndim != 2 or first_out.shape != last_out.shape:
        raise ValueError(
            f"first_out and last_out must both be (T, M), got {first_out.shape}, {last_out.shape}"
        )
    if dwell_ticks < 1:
        raise ValueError(f"dwell_ticks must be at least 1, got {dwell_ticks}")
    if not first_tick <= command_tick <= end_tick:
        raise ValueError(
            "first_tick, command_tick, end_tick must not decrease, "
            f"got {first_tick}, {command_tick}, {end_tick}"
        )
    low = (command_tick - first_tick) // interval_ticks
    high = -(-(end_tick - first_tick) // interval_ticks)
    length = end_tick - command_tick
    # Ticks from here on are counted from the command: 1 is the first one after it.
    base = (first_tick - command_tick + interval_ticks * np.arange(low, high))[:, None]
    first = base + first_out[low:high]
    last = base + last_out[low:high]
    base = base[: len(first)]
    out = (first_out[low:high] > 0) & (last > 0) & (first <= length)
    first = np.where(out, np.maximum(first, 1), length + 1)
    last = np.where(out, np.minimum(last, length), 0)

    columns = np.arange(first_out.shape[1])
    ahead = np.vstack([first, np.full((1, len(columns)), length + 1)])
    ahead = np.minimum.accumulate(ahead[::-1], axis=0)[::-1]  # first tick outside from a row on
    at_once = ahead[0] - 1 >= dwell_ticks
    held = out & (ahead[1:] - last - 1 >= dwell_ticks)
    rows = np.arange(len(out))
    if len(rows) == 0:
        row = np.full(len(columns), -1)
        ticks = np.zeros(len(columns))
        came = at_once
    else:
        row = np.where(at_once, -1, held.argmax(axis=0))
        ticks = np.where(at_once, 0, last[row, columns] + 1)
        came = at_once | held.any(axis=0)

    before = np.vstack([np.zeros((1, len(columns)), dtype=last.dtype), last])[:-1]
    starts = out & (first > before + 1) & (rows[:, None] > row)
    back_s = np.where(came, ticks * tick_s, np.nan)
    return SettledTimes(back_s, np.where(came, starts.sum(axis=0), 0))
