"""Pictures to choose gains from: everything against gain, present beside tuned, settling."""

from collections.abc import Sequence
from typing import Any, NamedTuple

import matplotlib
import numpy as np
from matplotlib.figure import Figure

from sim.foundations.files.text import counted
from sim.foundations.ports import Array
from sim.report.drawing import BLUE, DEMAND, INK, ORANGE, STYLE, VERMILION, VIOLET, Picture, finish

LOOKS: tuple[dict[str, Any], ...] = (
    {"color": VERMILION, "lw": 1.8, "ls": "-"},
    {"color": BLUE, "lw": 1.4, "ls": "--"},
)
"""Chosen and present gains."""


class Panel(NamedTuple):
    """One figure against gain."""

    label: str
    values: Array
    """(K,) NaN where there is none."""
    demand: float | None
    highest: float
    """Values above are cut off, so that the region of interest stays legible."""


def against_gain(
    name: str, gains: Array, panels: Sequence[Panel], marks: Sequence[tuple[str, float]]
) -> Picture:
    """Draw figures (K,) against a gain (K,), each with its demand, and marked gains."""
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 1.55 * len(panels) + 0.5), layout="constrained")
        rows = figure.subplots(len(panels), 1, sharex=True)
        colours = (VERMILION, BLUE, ORANGE, VIOLET, INK)
        for i, (axes, panel) in enumerate(zip(rows, panels, strict=True)):
            shown = np.where(panel.values <= panel.highest, panel.values, np.nan)
            axes.plot(gains, shown, "-", color=BLUE, lw=1.6, marker="o", ms=2.5)
            if panel.demand is not None:
                axes.axhline(panel.demand, **DEMAND)
                axes.annotate(
                    f"demanded: {panel.demand:g}", (0.995, panel.demand),
                    xycoords=("axes fraction", "data"), ha="right", va="bottom", fontsize=7.5,
                )  # fmt: skip
            for k, (mark, at) in enumerate(marks):
                dash = ("-", "-.", ":")[k % 3]
                axes.axvline(at, color=colours[k % len(colours)], lw=1.2, ls=dash, label=mark)
            axes.set_ylabel(panel.label)
            if (gains > 0).all() and gains.max() > 10 * gains.min():
                axes.set_xscale("log")
            if i == 0:
                axes.legend(loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=3)
        rows[-1].set_xlabel(name)
        address = finish(figure)
    return Picture(
        address,
        "Ms, gain margin, settling and loss against gain, with the demands.",
        "Worst mirror of the population for each gain, all other settings as chosen. Green: what "
        "is demanded. Values far beyond the demand are not drawn.",
    )


class ComparedCurves(NamedTuple):
    """Curves of one set of gains."""

    name: str
    sensitivity: tuple[Array, Array]
    """Frequency (F,) [Hz], and the largest |S| of the loops (F,)."""
    step: tuple[Array, Array]
    """Time (K,) [ms], and lowest and highest reading (K, 2) after a unit step of the tilt."""
    cumulative: tuple[Array, Array]
    """Frequency (B,) [Hz], and radial rms of all below it (B,) [urad]."""
    correction: tuple[Array, Array]
    """Time (K,) [ms], and largest and median size (K, 2) of the correction [V]."""


def tuning_choices(sets: Sequence[ComparedCurves]) -> Picture:
    """Draw sensitivity, step, cumulative rms and correction of chosen and present gains."""
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 5.4), layout="constrained")
        (s, t), (r, v) = figure.subplots(2, 2)
        for each, look in zip(sets, LOOKS, strict=False):
            s.plot(*each.sensitivity, label=each.name, **look)
            time, step = each.step
            t.fill_between(time, step[:, 0], step[:, 1], color=look["color"], alpha=0.2, lw=0)
            for edge in step.T:
                t.plot(time, edge, **{**look, "lw": 0.9})
            r.plot(*each.cumulative, **look)
            time, volts = each.correction
            v.plot(time, volts[:, 0], **look)
            v.plot(time, volts[:, 1], **{**look, "lw": 0.8, "alpha": 0.7})
        s.set_xscale("log")
        s.set_yscale("log")
        s.axhline(1.0, color=INK, lw=0.8, ls=":")
        s.set_xlabel("frequency [Hz]")
        s.set_ylabel("largest |S| of all loops")
        s.legend(loc="lower right")
        t.axhline(0.0, color=INK, lw=0.8, ls=":")
        t.set_xlabel("time after a unit step of tilt [ms]")
        t.set_ylabel("reading, lowest to highest")
        r.set_xscale("log")
        r.set_xlabel("frequency [Hz]")
        r.set_ylabel("rms of all below [urad]")
        v.set_xlabel("time after the last command [ms]")
        v.set_ylabel("size of the correction [V]")
        address = finish(figure)
    return Picture(
        address,
        "Sensitivity, step, cumulative rms and correction of the chosen and the present gains.",
        "Sensitivity: the largest of all loops at each frequency. Step: readings of all loops lie "
        "in the band. Rms: radial, all contributors, mean over mirrors. Correction: what "
        "feedback adds to the drive after the last command, in volts about the aim, largest axis "
        "and, thin, the median.",
    )


def settling_spread(sets: Sequence[tuple[str, Array]], demand_ms: float | None) -> Picture:
    """Draw the share of mirrors that have settled by each time, for sorted times (M,) [ms]."""
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 3.0), layout="constrained")
        axes = figure.subplots()
        for (name, times), look in zip(sets, LOOKS, strict=False):
            finite = times[np.isfinite(times)]
            share = 100.0 * np.arange(1, len(finite) + 1) / max(len(times), 1)
            never = len(times) - len(finite)
            label = f"{name}{f', {never} never settle' if never else ''}"
            axes.plot(finite, share, drawstyle="steps-post", label=label, **look)
        if demand_ms is not None:
            axes.axvline(demand_ms, **DEMAND, label=f"demanded: {demand_ms:g} ms")
        axes.set_xlim(left=0.0)
        axes.set_ylim(0.0, 102.0)
        axes.set_xlabel("time after the last command [ms]")
        axes.set_ylabel("mirrors settled [%]")
        axes.legend(loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=3)
        address = finish(figure)
    count = len(sets[0][1]) if sets else 0
    return Picture(
        address,
        "Share of mirrors that have settled, against time.",
        f"{counted(count, 'mirror')} that the last command moves, each with the median over its "
        "noise; the "
        "slowest of them in one run is somewhat later.",
    )
