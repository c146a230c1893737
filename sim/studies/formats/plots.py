"""The picture of residual against bits."""

import matplotlib
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, NullLocator, StrMethodFormatter

from sim.report.drawing import BLUE, GREEN, INK, STYLE, VERMILION, Picture, finish
from sim.studies.formats.knee import TOLERATED_PCT, Knee
from sim.studies.formats.study import FormatsStudy
from sim.studies.formats.sweep import NAMES, SweepRow

LEAST_PCT = 0.1
"""Below it the axis is straight, so that zero and gains have a place. [%]"""


def curves(found: FormatsStudy) -> Picture:
    """Draw what each word length changes, the knee marked."""
    n = max(1, len(found.knees))
    columns = min(3, n)
    lines = -(-n // columns)
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 2.6 * lines + 0.4), layout="constrained")
        all_axes = figure.subplots(lines, columns, squeeze=False).ravel()
        for axes, knee in zip(all_axes, found.knees, strict=False):
            _curve(axes, knee, [row for row in found.rows if row.word == knee.word])
        for axes in all_axes[len(found.knees) :]:
            axes.set_visible(False)
        for axes in all_axes[::columns]:
            axes.set_ylabel("residual against\nfloating point [%]")
        seen: dict[str, Artist] = {}
        for axes in all_axes:
            handles, labels = axes.get_legend_handles_labels()
            seen |= dict(zip(labels, handles, strict=True))
        figure.legend(list(seen.values()), list(seen), loc="outside lower center", ncols=4)
        address = finish(figure)
    return Picture(
        address, "Change of the residual pointing error against the bits of each word.",
        f"One word at a time. Bars: two standard errors. Band: within {TOLERATED_PCT:g} % of "
        f"floating point. The axis is logarithmic beyond {LEAST_PCT:g} % either way. Crosses at "
        "the lower edge: lengths that the firmware has no format for.",
    )  # fmt: skip


def _curve(axes: Axes, knee: Knee, rows: list[SweepRow]) -> None:
    seen = [row for row in rows if row.more_pct is not None and row.more_sd_pct is not None]
    bits = [row.bits for row in seen]
    more = [row.more_pct or 0.0 for row in seen]
    errors = [2 * (row.more_sd_pct or 0.0) for row in seen]
    axes.axhspan(-TOLERATED_PCT, TOLERATED_PCT, color=GREEN, alpha=0.15, label="tolerated")
    axes.errorbar(bits, more, yerr=errors, fmt="o-", color=BLUE, ms=4, lw=1.3, capsize=2,
                  label="run")  # fmt: skip
    refused = [row.bits for row in rows if row.refused is not None]
    if refused:
        axes.plot(refused, [0.03] * len(refused), "x", color=INK, ms=6, label="no such format",
                  transform=axes.get_xaxis_transform())  # fmt: skip
    if knee.recommended is not None:
        axes.axvline(knee.recommended, color=VERMILION, lw=1.4, ls="--", label="recommended")
    axes.set_yscale("symlog", linthresh=LEAST_PCT, linscale=0.5)
    top = max([TOLERATED_PCT, *(m + e for m, e in zip(more, errors, strict=True))])
    low = min([-TOLERATED_PCT, *(m - e for m, e in zip(more, errors, strict=True))])
    axes.set_ylim(3 * low, 3 * top)
    ticks = [t for t in (-100, -10, -1, 0, 1, 10, 100, 1000, 10000) if 3 * low <= t <= 3 * top]
    axes.yaxis.set_major_locator(FixedLocator(ticks))
    axes.yaxis.set_minor_locator(NullLocator())
    axes.yaxis.set_major_formatter(StrMethodFormatter("{x:g}"))
    axes.xaxis.set_major_locator(FixedLocator(sorted({row.bits for row in rows})))
    axes.set_xlabel(NAMES[knee.word])
