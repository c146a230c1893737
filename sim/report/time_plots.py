"""Pictures over time: pointing error of mirrors, misalignment loss of connections."""

from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from sim.foundations.files.text import counted
from sim.foundations.ports import Array
from sim.optics.epochs import Epoch
from sim.report.drawing import (
    BLUE,
    GREEN,
    INK,
    ORANGE,
    STYLE,
    VERMILION,
    Picture,
    dress,
    finish,
    time_axis,
)
from sim.report.event_marks import EventSpan, mark_events, marks_caption
from sim.report.thin import bin_starts, thin
from sim.results.connection_losses import DARK_DB
from sim.results.hold import HoldInterval
from sim.results.traces import Traces

FEWEST_FOR_PERCENTILES = 8
"""Below this many mirrors or connections, each is drawn by its name."""
DWARFED = 5.0
"""A hold interval whose peak is this many times below the run's has axes of its own."""
NEAR_LEVELS = 6.0
"""After a command, a quantity is drawn up to this many times the level that it must stay below."""
PALETTE = (BLUE, VERMILION, GREEN, ORANGE, "#CC79A7", "#56B4E9", INK)
DASHES: tuple[Any, ...] = ("-", (0, (5, 1)), (0, (1, 1)), (0, (3, 1, 1, 1)))


class Line(NamedTuple):
    """A level drawn across, with its name."""

    level: float
    label: str
    colour: str = INK
    dash: Any = "-."


class PeakCurves(NamedTuple):
    """What is drawn of a quantity (T, n): peaks of each interval."""

    values: Array
    names: Sequence[str]
    culprit: str | None
    """Name of the one that is drawn by name among many."""


def over_time(
    curves: PeakCurves,
    lines: Sequence[Line],
    traces: Traces,
    epochs: Sequence[Epoch],
    hold: HoldInterval,
    *,
    label: str,
    alt: str,
    what: str,
    note: str = "",
    events: Sequence[EventSpan] = (),
) -> Picture:
    """Draw a quantity over time, with its limits, and the hold interval on axes of its own if the
    start-up dwarfs it.

    Parameters
    ----------
    curves : PeakCurves
        Peaks in each sampling interval.
    lines : sequence of Line
        Limits and tolerances.
    traces, epochs, hold
        The run.
    label : str
        Of the axis of the quantity.
    alt, what, note : str
        Words for those who cannot see it, what one curve is of, and more for the caption.
    events : sequence of EventSpan
        Events of the scenario, marked by their numbers.
    """
    values = curves.values
    starts = bin_starts(len(values))
    scale, _ = time_axis(traces.time_s)
    time = thin(traces.time_s * scale, starts, np.maximum.reduceat)
    top = values.max(axis=1)
    inside = (traces.time_s > hold.from_s) & (traces.time_s <= hold.to_s * (1 + 1e-9))
    held = float(top[inside].max()) if inside.any() else 0.0
    split = bool(1 < inside.sum() < len(top) and DWARFED * held < top.max())
    draw, key = _painter(curves, time, starts, what)
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 3.2), layout="constrained")
        panels = figure.subplots(1, 2 if split else 1, squeeze=False)[0]
        for axes in panels:
            draw(axes)
            for line in lines:
                axes.axhline(line.level, color=line.colour, lw=1.3, ls=line.dash, label=line.label)
            dress(axes, traces, epochs, hold)
            mark_events(axes, events, scale)
            highest = max([float(top.max()), *(line.level for line in lines)])
            axes.set_ylim(0, 1.12 * max(highest, 1e-9))
        if split:
            for axes in panels:
                axes.xaxis.set_major_locator(MaxNLocator(5))
            near = [line.level for line in lines if line.level < 20 * max(held, 1e-9)]
            panels[0].set_title("whole run")
            panels[1].set_title("hold interval")
            panels[1].set_xlim(hold.from_s * scale, hold.to_s * scale)
            panels[1].set_ylim(0, 1.15 * max([held, *near, 1e-9]))
        panels[0].set_ylabel(label)
        handles, labels = panels[0].get_legend_handles_labels()
        figure.legend(handles, labels, loc="outside lower center", ncols=4, columnspacing=1.2)
        address = finish(figure)
    shortened = (
        ""
        if len(starts) == len(values)
        else f"For drawing, {starts[1]} intervals share a point, which shows their highest value. "
    )
    interval_ms = traces.interval_ticks * traces.tick_s * 1e3
    return Picture(
        address,
        alt,
        f"Largest value in each interval of {interval_ms:g} ms, {key}. {shortened}{note}"
        + ("Right: the hold interval on axes of its own." if split else ""),
    )


def _painter(
    curves: PeakCurves, time: Array, starts: Any, what: str
) -> tuple[Callable[[Axes], None], str]:
    """How the curves are put onto an axis, and what the caption says of them."""
    values, names = curves.values, curves.names
    shown = thin(values, starts, np.maximum.reduceat)
    if len(names) < FEWEST_FOR_PERCENTILES:

        def each(axes: Axes) -> None:
            for k, name in enumerate(names):
                dash = DASHES[k % len(DASHES)]
                axes.plot(time, shown[:, k], color=PALETTE[k], lw=1.2, ls=dash, label=name)

        one = len(names) == 1
        return each, f"of the only {what}" if one else f"each of {counted(len(names), what)}"
    middle, high = (thin(v, starts, np.maximum.reduceat)
                    for v in np.percentile(values, [50, 95], axis=1))  # fmt: skip
    top = shown.max(axis=1)

    def bands(axes: Axes) -> None:
        axes.fill_between(time, middle, high, color=BLUE, alpha=0.22, lw=0, label="median to p95")
        axes.plot(time, top, color=ORANGE, lw=0.8, label="largest")
        axes.plot(time, middle, color=BLUE, lw=1.4, label="median")
        if curves.culprit in names:
            k = list(names).index(str(curves.culprit))
            axes.plot(time, shown[:, k], color=VERMILION, lw=0.7, label=curves.culprit)

    return bands, f"as percentiles over {counted(len(names), what)}"


def error_picture(
    traces: Traces, epochs: Sequence[Epoch], hold: HoldInterval, names: Sequence[str],
    lines: Sequence[Line], culprit: str | None,
    events: Sequence[EventSpan] = (),
) -> Picture:  # fmt: skip
    """Draw the radial pointing error of the mirrors."""
    return over_time(
        PeakCurves(traces.error_peak_rad.astype(float) * 1e6, names, culprit),
        lines, traces, epochs, hold,
        label="radial pointing error [µrad]",
        alt="Radial pointing error against time.",
        what="mirror",
        events=events,
    )  # fmt: skip


def loss_picture(
    traces: Traces, epochs: Sequence[Epoch], hold: HoldInterval, names: Sequence[str],
    lines: Sequence[Line], culprit: str | None,
    events: Sequence[EventSpan] = (),
) -> Picture:  # fmt: skip
    """Draw the misalignment loss of the connections; what is dark is drawn at the edge."""
    peak = traces.excess_peak_db.astype(float)
    beyond = float(peak.max(initial=0.0)) > DARK_DB
    return over_time(
        PeakCurves(np.minimum(peak, DARK_DB), names, culprit),
        lines, traces, epochs, hold,
        label="misalignment loss [dB]",
        alt="Misalignment loss against time.",
        what="connection",
        note=f"Drawn up to {DARK_DB:g} dB: beyond, a connection is dark, and how dark is not "
        "modelled (scattered light, crosstalk). " if beyond else "",
        events=events,
    )  # fmt: skip


def after_command_picture(
    curves: PeakCurves, level: Line, traces: Traces, start_s: float, limit_ms: float, *, label: str,
    what: str, events: Sequence[EventSpan] = (),
) -> Picture | None:  # fmt: skip
    """Draw a quantity (T, n) after a command, with the time by which it must be below a level.

    Parameters
    ----------
    curves : PeakCurves
        Peaks in each sampling interval.
    level : Line
        What it must stay below.
    traces : Traces
        The run.
    start_s : float
        The command. [s]
    limit_ms : float
        Limit on the time. [ms]
    label : str
        Of the axis of the quantity.
    what : str
        What is counted: a mirror or a connection.
    events : sequence of EventSpan
        Events of the scenario, marked by their numbers.
    """
    after_ms = 1e3 * (traces.time_s - start_s)
    rows = (after_ms > 0) & (after_ms <= 1.4 * limit_ms)
    if rows.sum() < 3 or not level.level > 0:
        return None
    time, shown = after_ms[rows], curves.values[rows]
    draw, key = _painter(curves._replace(values=shown), time, bin_starts(len(shown)), what)
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 2.9), layout="constrained")
        axes = figure.subplots()
        draw(axes)
        axes.axhline(level.level, color=level.colour, lw=1.3, ls=level.dash, label=level.label)
        axes.axvline(limit_ms, color=INK, lw=1.6, ls="-.", label=f"limit {limit_ms:g} ms")
        mark_events(axes, [e.since(start_s) for e in events], 1e3)
        axes.set_xlim(0.0, 1.4 * limit_ms)
        axes.set_ylim(0.0, NEAR_LEVELS * level.level)
        axes.set_xlabel("time after the command [ms]")
        axes.set_ylabel(label)
        handles, labels = axes.get_legend_handles_labels()
        figure.legend(handles, labels, loc="outside lower center", ncols=4, columnspacing=1.2)
        address = finish(figure)
    return Picture(
        address,
        f"{label.partition(' [')[0]} after the last command, with the limit on time.",
        f"After the last command, {key}. By the limit, every curve must have fallen below "
        f"the level for good; drawn up to {NEAR_LEVELS:g} times the level.",
    )


def sensor_picture(
    traces: Traces, epochs: Sequence[Epoch], hold: HoldInterval, events: Sequence[EventSpan] = ()
) -> Picture | None:
    """Draw the camera's shift, which the loop cannot see; None if there is none."""
    shift = traces.sensor_rad.astype(float) * 1e6
    if np.ptp(shift, axis=0).max() == 0:
        return None
    starts = bin_starts(len(shift))
    scale, _ = time_axis(traces.time_s)
    time = thin(traces.time_s * scale, starts, np.maximum.reduceat)
    size = thin(np.abs(shift), starts, np.maximum.reduceat)
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 2.2), layout="constrained")
        axes = figure.subplots()
        axes.plot(time, size[:, 0], color=BLUE, lw=1.1, label="x")
        axes.plot(time, size[:, 1], color=ORANGE, lw=1.1, ls=(0, (5, 1)), label="y")
        axes.set_ylabel("|shift| [µrad]")
        axes.set_ylim(bottom=0)
        dress(axes, traces, epochs, hold)
        mark_events(axes, events, scale)
        handles, labels = axes.get_legend_handles_labels()
        figure.legend(handles, labels, loc="outside lower center", ncols=4)
        address = finish(figure)
    return Picture(
        address,
        "Shift of the camera against the fibres, over time.",
        "Shift of the camera against the fibres, as the mirror tilt that it looks like. No spot "
        "tells it apart from a mirror that moved: the loop follows it and turns it into pointing "
        "error, the part of the error above that no gain removes.",
    )


def temperature_picture(
    traces: Traces, epochs: Sequence[Epoch], hold: HoldInterval, events: Sequence[EventSpan] = ()
) -> Picture | None:
    """Draw the bench's temperature; None if it does not vary."""
    kelvin = traces.temperature_k.astype(float)
    if np.ptp(kelvin) == 0:
        return None
    scale, _ = time_axis(traces.time_s)
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 2.0), layout="constrained")
        axes = figure.subplots()
        axes.plot(traces.time_s * scale, kelvin, color=VERMILION, lw=1.4)
        axes.set_ylabel("over reference [K]")
        dress(axes, traces, epochs, hold)
        mark_events(axes, events, scale)
        address = finish(figure)
    return Picture(
        address, "Bench temperature over time.",
        f"Bench temperature over the reference.{marks_caption(events)}",
    )  # fmt: skip
