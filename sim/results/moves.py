"""What follows each command: which mirrors it moved, and when they settle and have light again."""

from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sim.foundations.ports import Array
from sim.optics.epochs import Epoch
from sim.results.hold import MetricsParams
from sim.results.settling import arrivals
from sim.results.traces import Traces

Ticks = NDArray[np.int64]


def ticks_of(times_s: ArrayLike, tick_s: float) -> Ticks:
    """Return the drive ticks that instants fall on."""
    return np.rint(np.asarray(times_s, dtype=float) / tick_s).astype(np.int64)


class CommandSpan(NamedTuple):
    """One command and the ticks over which it is watched."""

    epoch: Epoch
    first_tick: int
    command_tick: int
    end_tick: int
    dwell_ticks: int


def spans_of(
    traces: Traces, epochs: Sequence[Epoch], starts: Ticks, ends: Ticks, params: MetricsParams
) -> list[CommandSpan]:
    """Return the commands of the run, each watched until the next epoch or the end."""
    first = int(ends[0]) - traces.interval_ticks
    last = int(ends[-1])
    dwell = max(1, int(np.ceil(params.dwell_ms * 1e-3 / traces.tick_s - 1e-6)))
    stops = [*starts[1:], last]
    return [
        CommandSpan(epoch, first, int(start), int(min(stop, last)), dwell)
        for epoch, start, stop in zip(epochs, starts, stops, strict=True)
        if epoch.commanded and first <= start <= last
    ]


class Moved(NamedTuple):
    """Who was moved by one command, and when each came back."""

    columns: NDArray[np.int64]
    after_s: Array
    excursions: NDArray[np.int64]


def moved_by(traces: Traces, span: CommandSpan, *, light: bool) -> Moved:
    """Return when each moved mirror settled or, for light, each connection it carries."""
    moved = span.epoch.moved
    columns = np.flatnonzero(moved[span.epoch.pairs].any(axis=1) if light else moved)
    first = traces.excess_first_out if light else traces.error_first_out
    last = traces.excess_last_out if light else traces.error_last_out
    found = arrivals(
        first[:, columns],
        last[:, columns],
        interval_ticks=traces.interval_ticks,
        first_tick=span.first_tick,
        command_tick=span.command_tick,
        end_tick=span.end_tick,
        dwell_ticks=span.dwell_ticks,
        tick_s=traces.tick_s,
    )
    return Moved(columns, found.after_s, found.excursions)


def slowest_of(
    spans: Sequence[CommandSpan], settled: Sequence[Moved], name: Callable[[CommandSpan, int], str]
) -> str | None:
    """Name what came last, or a first one that never came; None if nothing was moved."""
    found: tuple[float, str] | None = None
    for span, s in zip(spans, settled, strict=True):
        if len(s.columns):
            after_s = np.where(np.isnan(s.after_s), np.inf, s.after_s)
            last = int(after_s.argmax())
            if found is None or after_s[last] > found[0]:
                found = float(after_s[last]), name(span, int(s.columns[last]))
    return None if found is None else found[1]


def times_of(settled: Sequence[Moved], *, never: str) -> dict[str, Any]:
    """Return the figures of arrival times; the median alone leaves out those that never came."""
    times_ms = np.concatenate([np.zeros(0), *(s.after_s for s in settled)]) * 1e3
    came_ms = np.sort(times_ms[np.isfinite(times_ms)])
    count = len(times_ms)
    largest = float(came_ms[-1]) if len(came_ms) else None
    # With those that never came ranked last, a percentile exists if both its neighbours came.
    p95_ms = None
    if largest is not None and int(np.ceil(0.95 * (count - 1))) < len(came_ms):
        p95_ms = float(np.percentile(np.pad(came_ms, (0, count - len(came_ms)), "edge"), 95))
    return {
        "count": count,
        never: count - len(came_ms),
        "median_ms": float(np.median(came_ms)) if len(came_ms) else None,
        "p95_ms": p95_ms,
        "max_ms": largest if len(came_ms) == count else None,
        "max_of_those_ms": largest,
    }


class Arrivals(NamedTuple):
    """When each of n mirrors settled, or each of n connections had light, over all commands."""

    commands: NDArray[np.int64]
    """(n,) commands that moved it."""
    never: NDArray[np.int64]
    """(n,) those after which it never came."""
    slowest_s: Array
    """(n,) slowest of the others; 0 if there is none. [s]"""


def arrivals_in_traces(
    traces: Traces, epochs: Sequence[Epoch], params: MetricsParams, *, light: bool
) -> Arrivals:
    """Return when each mirror settled or, for light, each connection came to light."""
    starts = ticks_of([e.start_s for e in epochs], traces.tick_s)
    ends = ticks_of(traces.time_s, traces.tick_s)
    spans = spans_of(traces, epochs, starts, ends, params)
    n = len(traces.inputs) if light else len(traces.mirrors)
    return each_of([moved_by(traces, span, light=light) for span in spans], n)


def each_of(settled: Sequence[Moved], n: int) -> Arrivals:
    """Return the arrivals of all commands, for each of n mirrors or connections."""
    found = Arrivals(np.zeros(n, np.int64), np.zeros(n, np.int64), np.zeros(n))
    for s in settled:
        found.commands[s.columns] += 1
        found.never[s.columns] += np.isnan(s.after_s)
        found.slowest_s[s.columns] = np.fmax(found.slowest_s[s.columns], s.after_s)
    return found
