"""One picture of what changes do: margins, residual, and the fastest loop."""

from collections.abc import Mapping, Sequence

import matplotlib
from matplotlib.figure import Figure

from sim.report.drawing import BLUE, DEMAND, INK, ORANGE, STYLE, VERMILION, Picture, finish

LINES = ((BLUE, "-", "o"), (VERMILION, "--", "s"), ("#CC79A7", "-.", "^"), (ORANGE, ":", "D"),
         (INK, (0, (5, 1)), "v"))  # fmt: skip
SpreadCurve = Sequence[tuple[float, float]]


def robustness(
    panels: Mapping[str, Mapping[str, SpreadCurve]], fastest: Mapping[str, SpreadCurve],
    required: Mapping[str, float],
) -> Picture:  # fmt: skip
    """Draw curves of (factor, value) for each figure, and of (frame rate, bandwidth).

    Parameters
    ----------
    panels : mapping of str to mapping
        Axis label to {what changes: points}.
    fastest : mapping
        {latency in words: points [Hz]}.
    required : mapping
        Axis label of a panel to the value that is required of every loop.
    """
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 7.6), layout="constrained")
        spots = figure.subplots(3, 2).ravel()
        spots[5].set_axis_off()
        for axes, (label, curves) in zip(spots[:4], panels.items(), strict=True):
            if label in required:
                axes.axhline(required[label], **DEMAND, label=f"required: {required[label]:g}")
                axes.legend(loc="best")
            for (colour, dash, sign), (what, points) in zip(LINES, curves.items(), strict=False):
                x, y = zip(*points, strict=True) if points else ((), ())
                axes.plot(x, y, color=colour, ls=dash, marker=sign, ms=3.5, lw=1.3, label=what)
            axes.set_xlabel("factor on the true value")
            axes.set_ylabel(label)
        for (colour, dash, sign), (words, points) in zip(LINES, fastest.items(), strict=False):
            x, y = zip(*points, strict=True) if points else ((), ())
            spots[4].plot(x, y, color=colour, ls=dash, marker=sign, ms=3.5, lw=1.3, label=words)
        spots[4].set_xlabel("frame rate [Hz]")
        spots[4].set_ylabel("highest bandwidth [Hz]")
        spots[4].set_xscale("log")
        rates = sorted({x for points in fastest.values() for x, _ in points})
        spots[4].set_xticks(rates, [f"{rate:g}" for rate in rates])
        spots[4].minorticks_off()
        spots[4].legend(loc="best")
        handles, labels = spots[3].get_legend_handles_labels()
        figure.legend(handles, labels, loc="outside lower center", ncols=5)
        address = finish(figure)
    return Picture(
        address,
        "Margins and jitter against changes of the plant, and bandwidth against frame rate.",
        "Worst mirror of the population for Ms and margins, all mirrors for the predicted "
        "jitter; a point that is missing stands for an unstable loop or a rate that does not fit. "
        "Green: what [requirements] of the scenario ask of every loop. Bottom: -3 dB bandwidth of "
        "the slowest mirror under the fastest plain integrator that keeps them for all, for three "
        "times of read-out and computing.",
    )
