"""Pictures of the answer: pointing error and loss over time, and how the loss is spread."""

from collections.abc import Sequence

import matplotlib
import numpy as np
from matplotlib.figure import Figure

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
    key_below,
    thinned,
    time_axis,
)
from sim.report.thin import bin_starts, thin
from sim.results.hold import Hold
from sim.results.metrics import aligned_over_time
from sim.results.traces import Traces

DARK_DB = 40.0
"""Loss over the aligned loss above which nothing is drawn: there is no light. [dB]"""


def error_over_time(
    traces: Traces,
    epochs: Sequence[Epoch],
    hold: Hold,
    tolerance_urad: float,
    limit_urad: float | None,
) -> Picture:
    """Draw the pointing error, as bands over the mirrors."""
    peak_urad = traces.error_peak_rad.astype(float) * 1e6
    starts = bin_starts(len(peak_urad))
    scale, _ = time_axis(traces.time_s)
    time = thin(traces.time_s * scale, starts, np.maximum.reduceat)
    low, middle, high = np.percentile(peak_urad, [5, 50, 95], axis=1)
    low = thin(low, starts, np.minimum.reduceat)
    middle, high, top = (
        thin(v, starts, np.maximum.reduceat) for v in (middle, high, peak_urad.max(axis=1))
    )
    log = top.max() > 20 * max(float(np.median(middle)), 1e-9)
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 3.3), layout="constrained")
        axes = figure.subplots()
        floor = max(float(low[low > 0].min(initial=np.inf)), 1e-3) if log else 0.0
        floor = floor if np.isfinite(floor) else 1e-3
        axes.fill_between(
            time, np.maximum(low, floor), high, color=BLUE, alpha=0.25, lw=0, label="p5 to p95"
        )
        axes.plot(time, np.maximum(top, floor), color=VERMILION, lw=0.9, label="largest")
        axes.plot(time, np.maximum(middle, floor), color=BLUE, lw=1.6, label="median")
        axes.axhline(tolerance_urad, color=GREEN, lw=1.2, ls="--", label="settling tolerance")
        if limit_urad is not None:
            axes.axhline(limit_urad, color=INK, lw=1.2, ls="-.", label="limit on the largest")
        if log:
            axes.set_yscale("log")
        else:
            axes.set_ylim(bottom=0)
        dress(axes, traces, epochs, hold)
        axes.set_ylabel("radial tilt error [urad]")
        key_below(axes, 4)
        address = finish(figure)
    interval_ms = traces.interval_ticks * traces.tick_s * 1e3
    return Picture(
        address,
        "Radial pointing error against time: median, 5th to 95th percentile and largest.",
        f"Largest error in each interval of {interval_ms:g} ms, as percentiles over "
        f"{peak_urad.shape[1]} mirrors. {thinned(traces, starts)}"
        + ("The axis of error is logarithmic. " if log else ""),
    )


def excess_over_time(
    traces: Traces, epochs: Sequence[Epoch], hold: Hold, outage_db: float
) -> Picture:
    """Draw the loss over the aligned loss, as bands over the connections."""
    peak_db = np.minimum(traces.excess_peak_db.astype(float), DARK_DB)
    starts = bin_starts(len(peak_db))
    scale, _ = time_axis(traces.time_s)
    time = thin(traces.time_s * scale, starts, np.maximum.reduceat)
    curves = (*np.percentile(peak_db, [50, 95], axis=1), peak_db.max(axis=1))
    middle, high, top = (thin(v, starts, np.maximum.reduceat) for v in curves)
    log = bool(top.max() > 20 * outage_db)
    # A transient dwarfs what the hold interval is about, which then gets an axis of its own.
    held = top[(time > hold.from_s * scale) & (time <= hold.to_s * scale * (1 + 1e-9))]
    split = bool(len(held) > 1 and 5 * held.max() < top.max() and len(held) < len(top))
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 3.1), layout="constrained")
        panels = figure.subplots(1, 2 if split else 1, squeeze=False)[0]
        for axes in panels:
            axes.plot(time, top, color=VERMILION, lw=0.9, label="largest")
            axes.plot(time, high, color=ORANGE, lw=1.2, ls=(0, (5, 1)), label="p95")
            axes.plot(time, middle, color=BLUE, lw=1.6, label="median")
            axes.axhline(outage_db, color=INK, lw=1.2, ls="-.", label="outage limit")
            axes.set_ylim(0, 1.15 * max(float(top.max()), outage_db))
            dress(axes, traces, epochs, hold)
        if log:
            panels[0].set_yscale("symlog", linthresh=outage_db, linscale=1.0)
            ticks = [0, outage_db, *(t for t in (2, 5, 10, 20, 40) if t > 1.5 * outage_db)]
            panels[0].set_yticks(ticks, [f"{t:g}" for t in ticks])
            panels[0].set_ylim(0, 1.15 * DARK_DB)
            panels[0].minorticks_off()
        if split:
            panels[0].set_title("whole run")
            panels[1].set_title("hold interval")
            panels[1].set_xlim(hold.from_s * scale, hold.to_s * scale)
            panels[1].set_ylim(0, max(1.15 * float(held.max()), 1e-6))
        panels[0].set_ylabel("loss over aligned [dB]")
        handles, labels = panels[0].get_legend_handles_labels()
        figure.legend(handles, labels, loc="outside lower center", ncols=6, columnspacing=1.2)
        address = finish(figure)
    beyond = float(traces.excess_peak_db.max()) > DARK_DB
    clipped = (
        f"Drawn up to {DARK_DB:g} dB, although the run went beyond: there is no light there, and "
        "scattered light and crosstalk are not modelled. "
        if beyond
        else f"It would be cut at {DARK_DB:g} dB, beyond which there is no light; scattered light "
        "and crosstalk are not modelled. "
    )
    return Picture(
        address,
        "Loss over the aligned loss against time: median, 95th percentile and largest.",
        f"Largest value in each interval, as percentiles over {peak_db.shape[1]} connections. "
        f"{clipped}{thinned(traces, starts)}"
        + (f"Above {outage_db:g} dB the axis of the whole run is logarithmic. " if log else "")
        + ("Right: the hold interval on an axis of its own." if split else ""),
    )


def loss_histogram(
    traces: Traces, epochs: Sequence[Epoch], hold: Hold, limits: Sequence[tuple[str, float]]
) -> Picture | None:
    """Draw how the total loss is spread over the hold interval."""
    tick = traces.tick_s
    interval = traces.interval_ticks * tick
    rows = (traces.time_s - interval >= hold.from_s - 1e-6 * tick) & (
        traces.time_s <= hold.to_s + 1e-6 * tick
    )
    begun = np.array([e.start_s for e in epochs]) + 0.5 * tick
    which = np.maximum(np.searchsorted(begun, traces.time_s[rows]) - 1, 0)
    total = aligned_over_time(epochs, which) + traces.excess_db[rows]
    if total.size == 0:
        return None
    beyond = int((total > DARK_DB).sum())
    total = np.minimum(total, DARK_DB)
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 2.7), layout="constrained")
        axes = figure.subplots()
        lowest, highest = float(total.min()), float(total.max())
        spread = max(highest - lowest, 0.1)
        axes.hist(
            total.ravel(),
            bins=np.linspace(lowest - 0.02 * spread, lowest + 1.02 * spread, 61).tolist(),
            color=BLUE,
            alpha=0.75,
            log=True,
        )
        for (label, value), dash in zip(limits, ("-", "--"), strict=False):
            axes.axvline(value, color=VERMILION, lw=1.6, ls=dash, label=f"{label}: {value:g} dB")
        axes.set_xlabel("total loss [dB]")
        axes.set_ylabel("samples")
        if limits:
            key_below(axes, 2)
        address = finish(figure)
    return Picture(
        address,
        "Histogram of the total loss over the hold interval.",
        f"{total.size} samples of {total.shape[1]} connections at the ends of {total.shape[0]} "
        "intervals, so short peaks between them do not show here; counts are on a logarithmic "
        "axis. " + (f"{beyond} samples above {DARK_DB:g} dB are drawn there." if beyond else ""),
    )
