"""Pictures of a sweep: one metric against every varied quantity, side by side."""

import textwrap
from typing import Any

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from sim.foundations.files.text import counted
from sim.report.drawing import BLUE, INK, STYLE, Picture, finish
from sim.studies.sweep.analysis import Floats, MetricAtValue, is_sampled, levels
from sim.studies.sweep.plan import SweepPlan
from sim.studies.sweep.vary import toml

MOST_TICKS = 6
"""Stepped values that are all named on their axis."""
MOST_VECTORS = 100
"""More dots than this are drawn as pixels, to keep the page small."""
LOG_SPAN = 30.0
"""Positive values that span more than this are drawn on a logarithmic axis."""


def metric_picture(plan: SweepPlan, y: Floats, words: str, unit: str) -> Picture:
    """Draw one metric against each quantity: every run as a dot, means with 95 % intervals."""
    count = len(plan.varied)
    columns = 2 if count in (2, 4) else min(3, count)
    rows = -(-count // columns)
    width = 7.4 if columns > 1 else 4.6
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(width, 2.5 * rows), layout="constrained", dpi=150)
        panels = figure.subplots(rows, columns, squeeze=False, sharey=True)
        for i, axes in enumerate(panels.flat):
            if i >= count:
                axes.set_axis_off()
                continue
            _panel(axes, plan, y, i)
            if i % columns == 0:
                label = textwrap.fill(f"{words} [{unit}]" if unit else words, 20)
                axes.set_ylabel(label, fontsize=8.5)
        address = finish(figure)
    missing = int(np.isnan(y).sum())
    return Picture(
        address,
        f"{words} against {', '.join(v.path for v in plan.varied)}.",
        f"{words}: runs as dots, means with 95 % intervals. "
        + (f"Left out: {missing} of {counted(y.size, 'run')}, without such a figure. "
           if missing else ""),
    )


def _panel(axes: Axes, plan: SweepPlan, y: Floats, quantity: int) -> None:
    found = levels(plan, y, quantity)
    values = [point[quantity] for point in plan.points for _ in plan.seeds]
    numeric = all(isinstance(v, int | float) and not isinstance(v, bool) for v in values)
    if numeric:
        x = np.array(values, dtype=float)
        at = np.array([level.at for level in found], dtype=float)
        law = plan.varied[quantity].distribution
        if (law and law.kind == "loguniform") or (x.min() > 0 and x.max() > LOG_SPAN * x.min()):
            axes.set_xscale("log")
        if not is_sampled(plan, quantity) and len(at) <= MOST_TICKS:
            axes.set_xticks(at, [f"{v:g}" for v in at])
            axes.minorticks_off()
    else:
        names = [_name(level.at) for level in found]
        x = np.array([names.index(_name(v)) for v in values], dtype=float)
        at = np.arange(len(names), dtype=float)
        axes.set_xticks(at, names, rotation=20 if len("".join(names)) > 24 else 0)
        axes.set_xlim(-0.5, len(names) - 0.5)
    dots = y.ravel()
    many = len(x) > MOST_VECTORS
    axes.plot(x, dots, ls="", marker=".", ms=3 if many else 5, color=INK, mew=0,
              alpha=0.3 if many else 0.6, zorder=1 if many else 4, rasterized=many)  # fmt: skip
    _means(axes, at, found, joined=numeric and (is_sampled(plan, quantity) or len(found) > 1))
    axes.set_xlabel(plan.varied[quantity].path, fontsize=8.5)


def _means(axes: Axes, at: Floats, found: list[MetricAtValue], *, joined: bool) -> None:
    mean = np.array([level.response.mean for level in found])
    low = np.array([level.response.low for level in found])
    high = np.array([level.response.high for level in found])
    axes.plot(at, mean, color=BLUE, lw=1.4 if joined else 0, marker="o", ms=4, zorder=3)
    some = np.isfinite(low)
    if some.any():
        bars = np.stack([mean - low, high - mean])[:, some]
        axes.errorbar(
            at[some], mean[some], yerr=bars, fmt="none", ecolor=BLUE, elinewidth=1.2, capsize=3
        )


def _name(value: Any) -> str:
    return value if isinstance(value, str) else toml(value)
