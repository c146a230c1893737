"""What one event does to one run: error, loss, outage, recovery, lost spots, sway, saturation."""

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.foundations.ports import Array, stated_events
from sim.results.hold import hold_of
from sim.results.outages import outages
from sim.results.ranking import rank
from sim.results.table import LIMITED
from sim.studies.run.make import Run

LIMIT_CLOSE = 1e-6
"""A drive within this share of its limit counts as saturated."""


class EventFigure(NamedTuple):
    """One figure of a case."""

    key: str
    words: str
    unit: str


EVENT_FIGURES = (
    EventFigure("peak_error_urad", "peak error", "urad"),
    EventFigure("peak_loss_db", "peak misalignment loss", "dB"),
    EventFigure("longest_outage_ms", "longest outage", "ms"),
    EventFigure("recovery_ms", "recovery after the event", "ms"),
    EventFigure("lost_frames", "frames with a lost spot", ""),
    EventFigure("sway_mm", "sway", "mm"),
    EventFigure("saturated_pct", "drive at its limit", "%"),
    EventFigure("core_peak_g", "core acceleration", "g"),
)


def case_figures(made: Run) -> dict[str, Any]:
    """Return the figures of a case by key; None where one does not exist.

    `recovery_ms` counts from the end of the last event to the last tick at which any connection is
    out; None while one still is when the run ends. `saturated_pct` is the share of samples, over
    mirrors and axes, in which aim and correction together ask for all the drive has.
    """
    traces, parts, scenario = made.outcome.traces, made.built.parts, made.built.resolved
    hold = hold_of(scenario.metrics, float(traces.time_s[-1] * 1e3))
    rows = hold.whole(traces.end_ticks, traces.interval_ticks, traces.tick_s)
    first, last = traces.excess_first_out[rows], traces.excess_last_out[rows]
    out = outages(first, last, interval_ticks=traces.interval_ticks, tick_s=traces.tick_s)
    figures = made.figures
    peak = np.abs(traces.acceleration_peak_m_s2).max() if len(traces.time_s) else 0.0
    return {
        "peak_error_urad": figures["pointing"]["max_urad"],
        "peak_loss_db": figures["coupling"]["excess_max_db"],
        "longest_outage_ms": float(out.longest_ms.max()) if out.longest_ms.size else 0.0,
        "recovery_ms": _recovery_ms(made, rows, last),
        "lost_frames": int(figures["lost"]["frames"]),
        "sway_mm": figures["sway"]["max_mm"],
        "saturated_pct": 100.0 * float(_saturated(made, parts.drive_limit_rad)),
        "core_peak_g": float(peak) / 9.80665,
    }


def _recovery_ms(made: Run, rows: NDArray[np.bool_], last_out: NDArray[np.integer]) -> float | None:
    events = stated_events(made.built.parts.disturbances)
    if not events or not last_out.size or not last_out.any():
        return 0.0
    traces = made.outcome.traces
    over_s = max(event.to_s for event in events)
    at = int(np.flatnonzero(last_out.any(axis=1))[-1])
    ticks = traces.end_ticks[rows][at] - traces.interval_ticks + int(last_out[at].max())
    if at == len(last_out) - 1 and last_out[at].max() == traces.interval_ticks:
        return None
    return 1e3 * max(0.0, float(ticks * traces.tick_s) - over_s)


def _saturated(made: Run, limit_rad: Array) -> float:
    traces, parts = made.outcome.traces, made.built.parts
    starts = np.array([epoch.start_s for epoch in parts.epochs])
    which = np.maximum(np.searchsorted(starts, traces.time_s, side="right") - 1, 0)
    aims = np.stack([epoch.aim_rad for epoch in parts.epochs]) + parts.population.alignment_rad
    asked = np.abs(aims[which] + traces.correction_rad)
    return float((asked >= limit_rad * (1 - LIMIT_CLOSE)).mean())


def culprits_of(made: Run) -> dict[str, str]:
    """Return who each limited figure is owed to, by the limit's name."""
    ranking = rank(
        made.outcome.traces, made.built.parts.epochs, made.built.resolved.metrics,
        ports=made.built.resolved.switch.geometry.ports_per_side, figures=made.figures,
    )  # fmt: skip
    return {
        name: ranking.culprits[figure.path].words
        for name, figure in LIMITED.items()
        if figure.path in ranking.culprits
    }
