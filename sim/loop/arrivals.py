"""When corrections arrive at the drives: at one tick of the frame, or each mirror at its own."""

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.foundations.ports import Array
from sim.loop.parts import Parts
from sim.mirror.motion import Asked


class ActingTimes(NamedTuple):
    """Whole frames and ticks from an exposure to its correction, (2, M) each."""

    lag: NDArray[np.int64]
    change: NDArray[np.int64]
    """Tick of a frame at which a correction takes over."""
    alike: bool
    """Whether all mirrors and axes have the same."""
    most: int
    """Largest lag."""
    first: int
    """Earliest change."""


def arrivals_of(parts: Parts) -> ActingTimes:
    """Return the arrivals of a run."""
    delay = np.ascontiguousarray(parts.delay_ticks.T)
    lag, change = np.divmod(delay, parts.clock.ticks_per_frame)
    alike = bool((delay == delay[0, 0]).all())
    return ActingTimes(lag, change, alike, int(lag.max()), int(change.min()))


def reading_tick(arrivals: ActingTimes, n_ticks: int) -> int:
    """Return the tick by which a frame's own reading is needed: where its correction may arrive."""
    own = arrivals.change[arrivals.lag == 0]
    return int(own.min()) if own.size else n_ticks


def on_hand(arrivals: ActingTimes, waiting: Array) -> tuple[Array, Array]:
    """Return corrections (2, M) before and after each change of a frame, its own not yet made.

    Of mirrors whose correction arrives within its own frame, both are the old one.
    """
    if arrivals.alike:
        return waiting[0], waiting[min(arrivals.most, 1)]
    place = arrivals.most - arrivals.lag
    later = np.minimum(place + 1, arrivals.most)
    return tuple(np.take_along_axis(waiting, at[None], axis=0)[0] for at in (place, later))  # type: ignore[return-value]


def with_own(arrivals: ActingTimes, after: Array, correction: Array) -> Array:
    """Return `after` with the frame's own correction where that arrives within the frame."""
    return np.ascontiguousarray(np.where(arrivals.lag == 0, correction, after))


def tick_spans(
    arrivals: ActingTimes, first: int, last: int, path_rad: Array, before: Array, after: Array
) -> Iterator[tuple[int, int, Asked]]:
    """Yield (from tick, to tick, what is asked) from `first` to `last` of a frame.

    Where all mirrors are alike that is one span, in which the kernel changes the correction;
    else each span ends where some mirrors change theirs.
    """
    if arrivals.alike:
        yield first, last, Asked(path_rad, before, after, arrivals.first)
        return
    inside = np.unique(arrivals.change[(arrivals.change > first) & (arrivals.change < last)])
    edges = [first, *map(int, inside), last]
    for a, b in zip(edges[:-1], edges[1:], strict=True):
        held = np.ascontiguousarray(np.where(arrivals.change <= a, after, before))
        yield a, b, Asked(path_rad, held, held, b)
