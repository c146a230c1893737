"""What each event of a run did: whom it struck, what was lost, and when all was back."""

from collections.abc import Mapping, Sequence
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.foundations.ports import RunEvent
from sim.optics.epochs import Epoch
from sim.results.hold import MetricsParams
from sim.results.metrics import mirror_name
from sim.results.traces import MISSED, Traces

MOST_NAMED: Final = 6
"""Mirrors of an event that a row names; more are counted."""
ENDS_WITH_RUN_S: Final = 1e-9


class Reach(NamedTuple):
    """The samples in which a run is looked at for what an event did."""

    rows: NDArray[np.int64]
    """Those from its start to the run's end, or to the next event of one of its mirrors."""
    epoch: Epoch
    """The connections at its start."""
    own: NDArray[np.bool_]
    """(C,) connections with a mirror that it concerns."""
    to_s: float
    """End of the last of these samples. [s]"""


def reach_of(
    event: RunEvent, others: Sequence[RunEvent], traces: Traces, epochs: Sequence[Epoch]
) -> Reach:
    """Return the samples in which an event is looked at, and whose connections are its own."""
    from_s = event.event.from_s
    later = [
        each.event.from_s for each in others
        if each.event.from_s > max(ends_s(event), from_s) and (each.mirrors & event.mirrors).any()
    ]  # fmt: skip
    moves = [each.start_s for each in epochs if each.commanded and each.start_s > from_s]
    until_s = min([float(traces.time_s[-1]), *later, *moves])
    half_s = 0.5 * traces.tick_s
    inside = (traces.time_s > from_s + half_s) & (traces.time_s <= until_s + half_s)
    epoch = [each for each in epochs if each.start_s <= from_s + half_s][-1]
    own = np.asarray(event.mirrors[epoch.pairs].any(axis=1))
    return Reach(np.flatnonzero(inside), epoch, own, until_s)


def ends_s(event: RunEvent) -> float:
    """Return when what set an event off is over; what is left of it may last longer. [s]"""
    return float(getattr(event, "ends_s", event.event.to_s))


def mirrors_taken_over(events: Sequence[RunEvent], count: int) -> NDArray[np.bool_]:
    """Return the mirrors (M,) that some event takes out of the hands of their loops.

    Those are the events with `takes_over`: drives without power, mirrors that stick.
    """
    taken = [each.mirrors for each in events if getattr(each, "takes_over", False)]
    return np.logical_or.reduce([np.zeros(count, bool), *taken])


def event_figures(
    events: Sequence[RunEvent],
    traces: Traces,
    epochs: Sequence[Epoch],
    params: MetricsParams,
    *,
    ports: int,
    crosstalk: Mapping[int, Mapping[str, Any]] | None = None,
) -> dict[str, Any]:
    """Return the figures of the events of a run, as `results.json` holds them.

    Parameters
    ----------
    events : sequence of RunEvent
        In the order of the scenario.
    traces, epochs, params
        The run, and what it is judged by.
    ports : int
        Input ports, for the mirrors' names.
    crosstalk : mapping, optional
        By the number of an event: what its beams left in outputs that they passed.

    Returns
    -------
    dict
        ``recovery_ms`` (slowest of all events that end; None if one is not back, or none ends),
        ``outage_ms``, ``crosstalk_db`` (the strongest), ``missed_frames``, and ``rows``, one for
        each event.
    """
    crosstalk = crosstalk or {}
    rows = [
        _row(event, reach_of(event, events, traces, epochs), traces, params, ports)
        | {"crosstalk": crosstalk.get(number)}
        for number, event in enumerate(events)
    ]
    ended = [row for row in rows if row["ends"]]
    back = [row["recovery_ms"] for row in ended]
    stray = [row["crosstalk"]["db"] for row in rows if row["crosstalk"]]
    return {
        "recovery_ms": max(back) if back and None not in back else None,
        "outage_ms": max((row["outage_ms"] for row in rows), default=None),
        "crosstalk_db": min(stray, default=None),
        "missed_frames": int(traces.status_frames[list(MISSED)].sum()),
        "rows": rows,
    }


def _row(
    event: RunEvent, reach: Reach, traces: Traces, params: MetricsParams, ports: int
) -> dict[str, Any]:
    own, end_s = reach.own, ends_s(event)
    names = [
        f"in {i} -> out {o}" for i, o in zip(traces.inputs, reach.epoch.outputs, strict=True)
    ]
    mirrors = [mirror_name(int(m), ports) for m in traces.mirrors[event.mirrors]]
    peak = traces.excess_peak_db[reach.rows]
    out_ms = traces.excess_ticks_out[reach.rows].sum(axis=0) * traces.tick_s * 1e3
    last_s = _last_out_s(traces.excess_last_out[reach.rows], traces, reach)
    ends = bool(end_s < reach.to_s - ENDS_WITH_RUN_S)
    dwell_s = 1e-3 * params.dwell_ms
    still = own & (last_s > reach.to_s - dwell_s)
    after_ms = 1e3 * np.maximum(last_s[own] - end_s, 0.0)
    recovery = float(after_ms.max(initial=0.0)) if ends and not still.any() else None
    settled_s = _last_out_s(traces.error_last_out[reach.rows], traces, reach)[event.mirrors]
    settled = ends and not (settled_s > reach.to_s - dwell_s).any()
    worst = _worst(peak, np.flatnonzero(own), names, traces, reach)
    slowest = int(np.where(own, last_s, -np.inf).argmax()) if own.any() else None
    return {
        "name": event.event.name,
        "from_ms": 1e3 * event.event.from_s,
        "to_ms": 1e3 * end_s if ends else None,
        "ends": ends,
        "looked_at_to_ms": 1e3 * reach.to_s,
        "lasts_to_ms": 1e3 * min(end_s, float(traces.time_s[-1])),
        "mirrors": len(mirrors),
        "mirror_names": mirrors if len(mirrors) <= MOST_NAMED else
        [*mirrors[: MOST_NAMED - 1], mirrors[-1]],
        "connections": int(own.sum()),
        "worst": worst,
        "others": _worst(peak, np.flatnonzero(~own), names, traces, reach),
        "outage_ms": float(out_ms[own].max(initial=0.0)),
        "outage_total_ms": float(out_ms[own].sum()),
        "connections_out": int((out_ms[own] > 0).sum()),
        "recovery_ms": recovery,
        "slowest": names[slowest] if slowest is not None and last_s[slowest] > 0 else None,
        "still_out": [names[c] for c in np.flatnonzero(still)] if ends else [],
        "settled_ms": float(1e3 * np.maximum(settled_s - end_s, 0.0).max(initial=0.0))
        if settled else None,
    }  # fmt: skip


def _worst(
    peak: NDArray[np.float32], which: NDArray[np.int64], names: Sequence[str], traces: Traces,
    reach: Reach,
) -> dict[str, Any] | None:  # fmt: skip
    """Return the largest misalignment loss of some connections, and where and when it was."""
    if not (len(which) and len(peak)):
        return None
    row, column = np.unravel_index(int(peak[:, which].argmax()), (len(peak), len(which)))
    return {
        "name": names[int(which[column])],
        "excess_db": float(peak[row, which[column]]),
        "at_ms": float(traces.time_s[reach.rows[row]] * 1e3),
    }


def _last_out_s(
    last_out: NDArray[np.int32], traces: Traces, reach: Reach
) -> NDArray[np.float64]:
    """Return when each was last out, in seconds; -inf for those that never were."""
    found = np.full(last_out.shape[1], -np.inf)
    if not len(last_out):
        return found
    out = last_out > 0
    row = len(out) - 1 - out[::-1].argmax(axis=0)
    column = np.arange(out.shape[1])
    start = traces.end_ticks[reach.rows[row]] - traces.interval_ticks
    when = (start + last_out[row, column]) * traces.tick_s
    return np.where(out.any(axis=0), when, found)


def still_out(figures: Mapping[str, Any]) -> tuple[str, ...]:
    """Return, in words, who has no light at the end although the event is over."""
    found = []
    for row in figures["events"]["rows"]:
        if row["still_out"]:
            names = ", ".join(row["still_out"][:3])
            more = len(row["still_out"]) - 3
            who = names if more <= 0 else f"{names} and {more} more"
            found.append(
                f"{who} still out at {row['looked_at_to_ms']:g} ms, "
                f"{row['looked_at_to_ms'] - row['to_ms']:.4g} ms after {row['name']}"
            )
    return tuple(found)


def during(figures: Mapping[str, Any], at_s: float | None) -> str:
    """Return which event a moment falls into, its way back included; empty if none."""
    if at_s is None:
        return ""
    for row in figures["events"]["rows"]:
        end_ms = row["looked_at_to_ms"]
        if row["ends"] and row["recovery_ms"] is not None:
            end_ms = row["to_ms"] + max(row["recovery_ms"], row["settled_ms"] or 0.0)
        if row["from_ms"] < 1e3 * at_s <= end_ms + 1.0:
            return str(row["name"])
    return ""
