"""Who is behind the figures: every connection and mirror by what it lost, and the worst by name."""

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.foundations.ports import Array
from sim.optics.epochs import Epoch
from sim.results.connection_losses import DARK_DB, aligned_over_time
from sim.results.events import during
from sim.results.hold import MetricsParams, hold_of
from sim.results.metrics import mirror_name
from sim.results.moves import arrivals_in_traces
from sim.results.outages import outages
from sim.results.traces import LOST, Traces


class Culprit(NamedTuple):
    """The connection, mirror or axis that a figure is owed to."""

    name: str
    at_s: float | None
    """When, if it has a moment. [s]"""
    during: str = ""
    """The event of the scenario that this moment falls into; empty if none."""

    @property
    def words(self) -> str:
        """Name and moment, as a sentence ends with them."""
        text = self.name if self.at_s is None else f"{self.name} at {self.at_s:.3f} s"
        return f"{text} ({self.during})" if self.during else text


class Ranking(NamedTuple):
    """All connections and mirrors over the hold interval, as plain columns."""

    connections: dict[str, list[Any]]
    """``name``, ``excess_max_db``, ``at_s``, ``max_db``, ``p99_db`` (None if always dark),
    ``aligned_db``, ``outage_ms``, ``longest_outage_ms``, ``recovery_ms`` (None while still out),
    ``commands`` that moved it, how often it ``never`` came to light, ``light_ms``, the slowest
    of the others (None without any)."""
    mirrors: dict[str, list[Any]]
    """``name``, ``rms_urad``, ``p99_urad``, ``max_urad``, ``at_s``, ``commands``, ``never``,
    ``settling_ms``, ``lost_frames``, ``lost_cause``."""
    culprits: dict[str, Culprit]
    """By the path of the figure, see `sim.results.table`."""


def rank(
    traces: Traces,
    epochs: Sequence[Epoch],
    params: MetricsParams,
    *,
    ports: int,
    figures: Mapping[str, Any] | None = None,
) -> Ranking:
    """Return every connection and mirror with its own figures.

    Parameters
    ----------
    traces, epochs, params, ports
        As for `sim.results.metrics.evaluate`.
    figures : mapping, optional
        What `evaluate` returned: names what settled last and the axis that swayed most.

    Returns
    -------
    Ranking
        Empty columns if the hold interval holds no whole sampling interval.
    """
    hold = hold_of(params, float(traces.time_s[-1] * 1e3))
    rows = hold.whole(traces.end_ticks, traces.interval_ticks, traces.tick_s)
    time_s = traces.time_s[rows]
    starts = np.rint(np.array([e.start_s for e in epochs]) / traces.tick_s)
    which = np.maximum(np.searchsorted(starts, traces.end_ticks[rows], side="left") - 1, 0)
    culprits: dict[str, Culprit] = {}
    mirrors = _mirrors(traces, rows, time_s, ports, culprits)
    connections = _connections(traces, epochs, rows, which, time_s, culprits)
    if mirrors:
        mirrors |= _arrived(traces, epochs, params, "settling_ms", light=False)
    if connections:
        connections |= _arrived(traces, epochs, params, "light_ms", light=True)
    if figures is not None:
        culprits |= _named_by_figures(figures)
        culprits = {
            path: who._replace(during=during(figures, who.at_s)) for path, who in culprits.items()
        }
    return Ranking(connections, mirrors, culprits)


def _arrived(
    traces: Traces, epochs: Sequence[Epoch], params: MetricsParams, key: str, *, light: bool
) -> dict[str, list[Any]]:
    found = arrivals_in_traces(traces, epochs, params, light=light)
    came = found.commands > found.never
    return {
        "commands": found.commands.tolist(),
        "never": found.never.tolist(),
        key: [1e3 * float(t) if ok else None for t, ok in zip(found.slowest_s, came, strict=True)],
    }


def _named_by_figures(figures: Mapping[str, Any]) -> dict[str, Culprit]:
    found = {}
    paths = ["settling.max_ms", "time_to_light.max_ms"]
    if figures["settling"]["unsettled"]:
        paths.append("settling.unsettled")
    for path in paths:
        name = figures[path.split(".")[0]]["slowest"]
        if name is not None:
            found[path] = Culprit(name, None)
    found |= _of_events(figures["events"]["rows"])
    sway = figures["sway"]
    if sway["max_mm"] is not None:
        axis = max("xyz", key=lambda a: float(sway[f"{a}_mm"]))
        found["sway.max_mm"] = Culprit(f"axis {axis}", None)
        used = dict(zip("xyz", sway["clearance_mm"], strict=True))
        nearest = max("xyz", key=lambda a: float(sway[f"{a}_mm"]) / used[a])
        found["sway.clearance_pct"] = Culprit(f"axis {nearest}", None)
    return found


def _of_events(rows: Sequence[Mapping[str, Any]]) -> dict[str, Culprit]:
    """Return who was back last, who was out longest, and whose light went astray."""
    found = {}
    back = [row for row in rows if row["recovery_ms"] is not None and row["slowest"]]
    if back:
        last = max(back, key=lambda row: float(row["recovery_ms"]))
        found["events.recovery_ms"] = Culprit(f"{last['slowest']} after {last['name']}", None)
    out = [row for row in rows if row["outage_ms"] > 0 and row["slowest"]]
    if out:
        longest = max(out, key=lambda row: float(row["outage_ms"]))
        found["events.outage_ms"] = Culprit(longest["name"], None)
    stray = [row["crosstalk"] for row in rows if row["crosstalk"]]
    if stray:
        most = min(stray, key=lambda each: float(each["db"]))
        found["events.crosstalk_db"] = Culprit(
            f"{most['from']} into {most['into']}", 1e-3 * most["at_ms"]
        )
    return found


def _connections(
    traces: Traces,
    epochs: Sequence[Epoch],
    rows: NDArray[np.bool_],
    which: NDArray[np.int64],
    time_s: Array,
    culprits: dict[str, Culprit],
) -> dict[str, list[Any]]:
    if not rows.any() or not traces.inputs.size:
        return {}
    aligned = aligned_over_time(epochs, which)
    excess = traces.excess_peak_db[rows].astype(float)
    total = aligned + excess
    samples = aligned + traces.excess_db[rows]
    columns = np.arange(excess.shape[1])
    row, row_total = excess.argmax(axis=0), total.argmax(axis=0)
    out = outages(
        traces.excess_first_out[rows],
        traces.excess_last_out[rows],
        interval_ticks=traces.interval_ticks,
        tick_s=traces.tick_s,
    )
    outage_ms = traces.excess_ticks_out[rows].sum(axis=0, dtype=np.int64) * traces.tick_s * 1e3

    def name(column: int, at: int) -> str:
        return f"in {traces.inputs[column]} -> out {epochs[which[at]].outputs[column]}"

    def culprit(column: int, at: int) -> Culprit:
        return Culprit(name(column, at), float(time_s[at]))

    c = int(excess.max(axis=0).argmax())
    culprits["coupling.excess_max_db"] = culprit(c, int(row[c]))
    c = int(total.max(axis=0).argmax())
    culprits["coupling.max_db"] = culprit(c, int(row_total[c]))
    over = samples > np.percentile(samples, 99)
    culprits["coupling.p99_db"] = Culprit(name(int(over.sum(axis=0).argmax()), -1), None)
    c = int(outage_ms.argmax())
    if outage_ms[c] > 0:
        begun = float(time_s[0] - traces.interval_ticks * traces.tick_s + out.first_s[c])
        culprits["coupling.outage_ms"] = Culprit(name(c, int(row[c])), begun)
    return {
        "name": [name(int(c), int(row[c])) for c in columns],
        "excess_max_db": excess[row, columns].tolist(),
        "at_s": time_s[row].tolist(),
        "max_db": total[row_total, columns].tolist(),
        "p99_db": _p99(samples, excess > DARK_DB),
        "aligned_db": aligned[row, columns].tolist(),
        "outage_ms": outage_ms.tolist(),
        "longest_outage_ms": out.longest_ms.tolist(),
        "recovery_ms": [None if np.isnan(v) else float(v) for v in out.recovery_ms],
    }


def _p99(samples: Array, dark: NDArray[np.bool_]) -> list[float | None]:
    """99th percentile of each column, without what is dark."""
    if not dark.any():
        return [float(v) for v in np.percentile(samples, 99, axis=0)]
    bright = np.where(dark, np.nan, samples)
    return [
        None if np.isnan(column).all() else float(np.nanpercentile(column, 99))
        for column in bright.T
    ]


def _mirrors(
    traces: Traces,
    rows: NDArray[np.bool_],
    time_s: Array,
    ports: int,
    culprits: dict[str, Culprit],
) -> dict[str, list[Any]]:
    names = [mirror_name(int(m), ports) for m in traces.mirrors]
    if traces.lost_frames.sum():
        most = int(traces.lost_frames.argmax())
        lost = np.isin(traces.status[:, most], LOST)
        first_s = float(traces.time_s[lost.argmax()]) if lost.any() else None
        culprits["lost.frames"] = Culprit(names[most], first_s)
    if not rows.any():
        return {}
    peak = traces.error_peak_rad[rows].astype(float) * 1e6
    rms = np.sqrt(traces.error_square_rad2[rows].mean(axis=0, dtype=float)) * 1e6
    samples = np.linalg.norm(traces.error_rad[rows].astype(float), axis=-1)
    row = peak.argmax(axis=0)
    worst = int(peak.max(axis=0).argmax())
    culprits["pointing.max_urad"] = Culprit(names[worst], float(time_s[row[worst]]))
    culprits["pointing.rms_urad"] = Culprit(names[int(rms.argmax())], None)
    over = samples > np.percentile(samples, 99)
    culprits["pointing.p99_urad"] = Culprit(names[int(over.sum(axis=0).argmax())], None)
    counts = traces.status_frames[list(LOST)]
    return {
        "name": names,
        "rms_urad": rms.tolist(),
        "p99_urad": [1e6 * float(v) for v in np.percentile(samples, 99, axis=0)],
        "max_urad": peak.max(axis=0).tolist(),
        "at_s": time_s[row].tolist(),
        "lost_frames": traces.lost_frames.tolist(),
        "lost_cause": [
            LOST[int(column.argmax())].name.lower() if column.any() else None
            for column in counts.T
        ],
    }
