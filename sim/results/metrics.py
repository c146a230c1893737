"""The figures of a run: settling, time to light, pointing error, coupling loss."""

from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sim.optics.epochs import Epoch
from sim.ports import Array, SpotStatus
from sim.results.hold import MetricsParams, hold_of
from sim.results.settling import arrivals
from sim.results.sway import sway_figures
from sim.results.traces import Traces
from sim.results.wrong_spots import wrong_spots

N_WORST = 5
DARK_DB = 40.0
"""A connection with more misalignment loss is dark: no receiver sees it. [dB]"""
Ticks = NDArray[np.int64]


def mirror_name(mirror: int, ports: int) -> str:
    """Return the name of a mirror from its number in a switch of `ports` ports a side."""
    side, port = ("A", mirror) if mirror < ports else ("B", mirror - ports)
    return f"{side}{port:02d}"


def evaluate(
    traces: Traces,
    epochs: Sequence[Epoch],
    params: MetricsParams,
    *,
    ports: int,
    sway_m: Array | None = None,
    clearance_mm: Sequence[float] | None = None,
) -> dict[str, Any]:
    """Return the figures of one run, as `results.json` holds them.

    A figure that does not exist is None. Means, rms and peaks are over every tick of the hold
    interval; 99th percentiles are over the samples alone, whose number stands beside them. Only
    sampling intervals that lie wholly in the hold interval count. **A command inside the hold
    interval adds its whole transient to pointing and coupling**: ``hold.commands`` says how many.

    Parameters
    ----------
    traces : Traces
        The run. Its first and last ticks outside must have been recorded with the tolerance and
        the outage limit of `params`.
    epochs : sequence of Epoch
        The stretches of the run, in order, the first from its start.
    params : MetricsParams
        What to judge by.
    ports : int
        Ports on each side of the switch, for the mirrors' names.
    sway_m : (3,) ndarray, optional
        Largest sway of the core on its mounts; None without an isolator. [m]
    clearance_mm : sequence of float, optional
        Clearance of the mounts. [mm]

    Returns
    -------
    dict
        ``hold``, ``settling``, ``time_to_light``, ``pointing``, ``coupling``, ``worst_mirrors``,
        ``worst_connections``, ``lost``, ``search``, ``wrong_spots``, ``stops``, ``sway``:
        plain numbers, strings, lists and None.

    Raises
    ------
    ValueError
        If there is no epoch, or the epochs are out of order.
    """
    if not epochs:
        raise ValueError("epochs must hold at least one epoch, got none")
    starts = _ticks([e.start_s for e in epochs], traces.tick_s)
    if (np.diff(starts) <= 0).any():
        raise ValueError(f"epochs must be in order of start_s, got {[e.start_s for e in epochs]}")
    ends = _ticks(traces.time_s, traces.tick_s)
    held = hold_of(params, float(traces.time_s[-1] * 1e3))
    hold = held.whole(ends, traces.interval_ticks, traces.tick_s)
    # Ticks after a command, the command's own excluded, belong to the new epoch.
    epoch_of = np.maximum(np.searchsorted(starts, ends, side="left") - 1, 0)

    # Light and settling share their definition; only limit and column differ.
    spans = _spans(traces, epochs, starts, ends, params)
    settling = [_settle(traces, span, light=False) for span in spans]
    light = [_settle(traces, span, light=True) for span in spans]
    pointing, rms_urad, max_urad = _pointing(traces, hold)
    coupling, connections = _coupling(traces, epochs, epoch_of, hold, params)
    in_hold = [e for e in epochs if e.commanded and held.from_ms <= e.start_s * 1e3 < held.to_ms]
    interval_ms = traces.interval_ticks * traces.tick_s * 1e3
    return {
        "hold": {
            "from_ms": held.from_ms,
            "to_ms": held.to_ms,
            "intervals": int(hold.sum()),
            "interval_ms": interval_ms,
            "commands": len(in_hold),
        },
        "settling": {
            "tolerance_urad": params.tolerance_urad,
            "dwell_ms": params.dwell_ms,
            "resolution_ms": (
                traces.tick_s * 1e3 if params.dwell_ms >= interval_ms * (1 - 1e-9) else interval_ms
            ),
            "commands": len(spans),
            **_times(settling, never="unsettled"),
            "slowest": _slowest(
                spans, settling, lambda span, m: mirror_name(int(traces.mirrors[m]), ports)
            ),
            "excursions_after": sum(int(s.excursions.sum()) for s in settling),
            "per_command": [
                {
                    "time_ms": span.epoch.start_s * 1e3,
                    **_times([s], never="unsettled"),
                    "excursions_after": int(s.excursions.sum()),
                }
                for span, s in zip(spans, settling, strict=True)
            ],
        },
        "time_to_light": {
            "limit_db": params.outage_excess_db,
            "dwell_ms": params.dwell_ms,
            **_times(light, never="dark"),
            "slowest": _slowest(
                spans,
                light,
                lambda span, c: f"in {traces.inputs[c]} -> out {span.epoch.outputs[c]}",
            ),
        },
        "pointing": pointing,
        "coupling": coupling,
        "worst_mirrors": _worst_mirrors(traces, rms_urad, max_urad, settling, ports),
        "worst_connections": connections,
        "lost": _lost(traces, ports),
        "search": {
            "frames": int(traces.search_frames.sum()),
            "mirrors": int((traces.search_frames > 0).sum()),
        },
        "wrong_spots": wrong_spots(traces),
        "stops": {
            "longest_ms": float(np.max(traces.stop_ticks, initial=0) * traces.tick_s * 1e3),
            "mirrors": int((traces.stop_ticks > 0).sum()),
        },
        "sway": sway_figures(sway_m, clearance_mm),
    }


def _lost(traces: Traces, ports: int) -> dict[str, Any]:
    """Count frames with a lost spot, by cause, and name the mirror with most of them."""
    lost, total = traces.lost_frames, int(traces.status_frames.sum())
    causes = {
        cause.name.lower(): int(traces.status_frames[cause].sum())
        for cause in SpotStatus
        if cause != SpotStatus.OK
    }
    frames = int(lost.sum())
    most = int(lost.argmax()) if frames else None
    return {
        "frames": frames,
        "mirrors": int((lost > 0).sum()),
        "share_pct": 100.0 * frames / total if total else 0.0,
        "frames_by_cause": causes,
        "worst_mirror": None if most is None else mirror_name(int(traces.mirrors[most]), ports),
        "worst_mirror_frames": 0 if most is None else int(lost[most]),
    }


class _Span(NamedTuple):
    """One command and the ticks over which it is watched."""

    epoch: Epoch
    first_tick: int
    command_tick: int
    end_tick: int
    dwell_ticks: int


class _Settled(NamedTuple):
    """Who was moved by one command, and when each came back."""

    columns: NDArray[np.int64]
    after_s: Array
    excursions: NDArray[np.int64]


def _ticks(times_s: ArrayLike, tick_s: float) -> Ticks:
    return np.rint(np.asarray(times_s, dtype=float) / tick_s).astype(np.int64)


def _spans(
    traces: Traces, epochs: Sequence[Epoch], starts: Ticks, ends: Ticks, params: MetricsParams
) -> list[_Span]:
    """Return the commands of the run, each watched until the next epoch or the end."""
    first = int(ends[0]) - traces.interval_ticks
    last = int(ends[-1])
    dwell = max(1, int(np.ceil(params.dwell_ms * 1e-3 / traces.tick_s - 1e-6)))
    stops = [*starts[1:], last]
    return [
        _Span(epoch, first, int(start), int(min(stop, last)), dwell)
        for epoch, start, stop in zip(epochs, starts, stops, strict=True)
        if epoch.commanded and first <= start <= last
    ]


def _settle(traces: Traces, span: _Span, *, light: bool) -> _Settled:
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
    return _Settled(columns, found.after_s, found.excursions)


class Arrivals(NamedTuple):
    """When each of n mirrors settled, or each of n connections had light, over all commands."""

    commands: NDArray[np.int64]
    """(n,) commands that moved it."""
    never: NDArray[np.int64]
    """(n,) those after which it never came."""
    slowest_s: Array
    """(n,) slowest of the others; 0 if there is none. [s]"""


def arrivals_of(
    traces: Traces, epochs: Sequence[Epoch], params: MetricsParams, *, light: bool
) -> Arrivals:
    """Return when each mirror settled or, for light, each connection came to light."""
    starts = _ticks([e.start_s for e in epochs], traces.tick_s)
    ends = _ticks(traces.time_s, traces.tick_s)
    spans = _spans(traces, epochs, starts, ends, params)
    n = len(traces.inputs) if light else len(traces.mirrors)
    return _each([_settle(traces, span, light=light) for span in spans], n)


def _each(settled: Sequence[_Settled], n: int) -> Arrivals:
    found = Arrivals(np.zeros(n, np.int64), np.zeros(n, np.int64), np.zeros(n))
    for s in settled:
        found.commands[s.columns] += 1
        found.never[s.columns] += np.isnan(s.after_s)
        found.slowest_s[s.columns] = np.fmax(found.slowest_s[s.columns], s.after_s)
    return found


def _slowest(
    spans: Sequence[_Span], settled: Sequence[_Settled], name: Callable[[_Span, int], str]
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


def _times(settled: Sequence[_Settled], *, never: str) -> dict[str, Any]:
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


def _pointing(
    traces: Traces, hold: NDArray[np.bool_]
) -> tuple[dict[str, Any], Array | None, Array | None]:
    """Return the pointing figures, and (M,) rms and largest error of each mirror [urad]."""
    samples_urad = np.linalg.norm(traces.error_rad[hold].astype(float), axis=-1) * 1e6
    figures: dict[str, Any] = dict.fromkeys(
        ("rms_urad", "p99_urad", "max_urad", "bias_urad", "jitter_urad")
    )
    figures["p99_count"] = int(samples_urad.size)
    if samples_urad.size == 0:
        return figures, None, None
    square = traces.error_square_rad2[hold].mean(axis=0, dtype=float) * 1e12
    mean = traces.error_mean_rad[hold].mean(axis=0, dtype=float) * 1e6
    peak = traces.error_peak_rad[hold].max(axis=0).astype(float) * 1e6
    bias_square = (mean**2).sum(axis=-1).mean()
    figures |= {
        "rms_urad": float(np.sqrt(square.mean())),
        "p99_urad": float(np.percentile(samples_urad, 99)),
        "max_urad": float(peak.max()),
        "bias_urad": float(np.sqrt(bias_square)),
        "jitter_urad": float(np.sqrt(max(square.mean() - bias_square, 0.0))),
    }
    return figures, np.sqrt(square), peak


def _coupling(
    traces: Traces,
    epochs: Sequence[Epoch],
    epoch_of: NDArray[np.int64],
    hold: NDArray[np.bool_],
    params: MetricsParams,
) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """Return the figures of the loss, and the connections that lost most."""
    which = epoch_of[hold]
    aligned = aligned_over_time(epochs, which)
    samples_db = aligned + traces.excess_db[hold]
    names = ("mean_db", "p99_db", "max_db", "excess_mean_db", "excess_max_db", "aligned_max_db")
    figures: dict[str, Any] = dict.fromkeys(
        (*names, "outage_ms", "outage_total_ms", "dark_ms", "dark_total_ms")
    )
    figures |= {"outage_limit_db": params.outage_excess_db, "p99_count": int(samples_db.size)}
    if samples_db.size == 0:
        return figures, []
    dark = traces.excess_peak_db[hold] > DARK_DB
    mean_db, excess_mean_db, p99_db, p99_count = _bright_losses(traces, hold, aligned, dark)
    dark_ms = dark.sum(axis=0) * traces.interval_ticks * traces.tick_s * 1e3
    peak_db = aligned + traces.excess_peak_db[hold]
    outage_ms = traces.excess_ticks_out[hold].sum(axis=0, dtype=np.int64) * traces.tick_s * 1e3
    figures |= {
        "mean_db": mean_db,
        "p99_db": p99_db,
        "p99_count": p99_count,
        "max_db": float(peak_db.max()),
        "excess_mean_db": excess_mean_db,
        "excess_max_db": float(traces.excess_peak_db[hold].max()),
        "aligned_max_db": float(aligned.max()),
        "outage_ms": float(outage_ms.max()),
        "outage_total_ms": float(outage_ms.sum()),
        "dark_ms": float(dark_ms.max()),
        "dark_total_ms": float(dark_ms.sum()),
    }
    largest_db, row = peak_db.max(axis=0), peak_db.argmax(axis=0)
    worst = [
        {
            "name": f"in {traces.inputs[c]} -> out {epochs[which[row[c]]].outputs[c]}",
            "max_db": float(largest_db[c]),
            "at_ms": float(traces.time_s[hold][row[c]] * 1e3),
            "outage_ms": float(outage_ms[c]),
        }
        for c in np.argsort(-largest_db, kind="stable")[:N_WORST]
    ]
    return figures, worst


def _bright_losses(
    traces: Traces, hold: NDArray[np.bool_], aligned: Array, dark: NDArray[np.bool_]
) -> tuple[float | None, float | None, float | None, int]:
    """Means of insertion and misalignment loss, and p99 of its count, without what is dark."""
    excess_mean_db = traces.excess_mean_db[hold]
    samples_db = aligned + traces.excess_db[hold]
    if not dark.any():
        mean = excess_mean_db.mean(dtype=float)
        p99 = float(np.percentile(samples_db, 99))
        return float(aligned.mean() + mean), float(mean), p99, samples_db.size
    bright = ~dark
    if not bright.any():
        return None, None, None, 0
    mean = excess_mean_db[bright].mean(dtype=float)
    samples_db = samples_db[bright]
    p99 = float(np.percentile(samples_db, 99))
    return float(aligned[bright].mean() + mean), float(mean), p99, samples_db.size


def aligned_over_time(epochs: Sequence[Epoch], epoch_of: NDArray[np.int64]) -> Array:
    """Return the (T, C) aligned loss [dB] at instants whose (T,) epochs are given."""
    return np.stack([e.aligned_db for e in epochs])[epoch_of]


def _worst_mirrors(
    traces: Traces,
    rms_urad: Array | None,
    max_urad: Array | None,
    settling: Sequence[_Settled],
    ports: int,
) -> list[dict[str, Any]]:
    """Return the mirrors with the largest error in the hold interval, worst first."""
    if rms_urad is None or max_urad is None:
        return []
    moves, unsettled, slowest_s = _each(settling, len(traces.mirrors))
    worst = []
    for m in np.argsort(-max_urad, kind="stable")[:N_WORST]:
        name = mirror_name(int(traces.mirrors[m]), ports)
        settled = moves[m] > 0 and unsettled[m] == 0
        worst.append(
            {
                "name": f"{name} (port {int(name[1:])}, array {name[0]})",
                "rms_urad": float(rms_urad[m]),
                "max_urad": float(max_urad[m]),
                "settling_ms": float(slowest_s[m] * 1e3) if settled else None,
                "commands": int(moves[m]),
                "unsettled": int(unsettled[m]),
            }
        )
    return worst
