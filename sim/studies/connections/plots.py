"""Pictures of the table of connections."""

from typing import Any, Final

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from sim.foundations.files.text import counted
from sim.foundations.ports import Array
from sim.report.drawing import BLUE, GREEN, INK, ORANGE, STYLE, VERMILION, Picture, finish
from sim.studies.connections.side_by_side import side_by_side
from sim.studies.connections.table import CONTRIBUTORS, WORDS, ConnectionTable, highest

WIDTH_IN: Final = 7.4
TICKS: Final = 6
"""Intervals between the ticks of an axis, at most; ticks are the most of what drawing takes."""
CELLS: Final = 256
"""Larger maps are drawn with several ports to a cell, of which the worst shows."""
DOTS: Final = 3000
"""Connections drawn in a scatter; more are thinned evenly."""


def _panels(
    count: int, height_in: float, *, left: float = 0.62, right: float = 0.1, bottom: float = 0.75,
    top: float = 0.1, between: float = 0.7, shared: bool = False,
) -> tuple[Figure, list[Axes]]:  # fmt: skip
    """Return a figure of panels side by side, with margins in inches.

    They are stated, not searched: to look for those that fit takes as long as all the drawing.
    """
    figure = Figure(figsize=(WIDTH_IN, height_in))
    wide = (WIDTH_IN - left - right - between * (count - 1)) / count
    axes = figure.subplots(1, count, sharey=shared, squeeze=False, gridspec_kw={
        "left": left / WIDTH_IN, "right": 1.0 - right / WIDTH_IN, "bottom": bottom / height_in,
        "top": 1.0 - top / height_in, "wspace": between / wide,
    })[0]  # fmt: skip
    for each in axes:
        each.locator_params(nbins=TICKS)
    return figure, list(axes)


def _key_below(figure: Figure, axes: Axes, columns: int, **more: Any) -> None:
    handles, words = axes.get_legend_handles_labels()
    figure.legend(handles, words, loc="lower center", ncols=columns, borderaxespad=0.2, **more)


def coarse(square: Array, worst_is_low: bool = False) -> tuple[Array, int]:
    """Return a map (N, M) with at most `CELLS` cells a side, and the ports in a cell's side."""
    stride = -(-max(square.shape) // CELLS)
    if stride == 1:
        return square, 1
    rows, columns = (-(-n // stride) * stride for n in square.shape)
    fill = np.pad(
        square, ((0, rows - square.shape[0]), (0, columns - square.shape[1])), mode="edge"
    )
    cells = fill.reshape(rows // stride, stride, columns // stride, stride)
    return np.asarray((np.min if worst_is_low else np.max)(cells, axis=(1, 3))), stride


def maps(table: ConnectionTable, spare: Array, shape: tuple[int, int]) -> Picture:
    """Draw insertion loss and spare travel of every input and output."""
    loss, stride = coarse(table.insertion_db.reshape(shape))
    spare_pct, _ = coarse(100.0 * spare.reshape(shape), worst_is_low=True)
    n_in, n_out = shape
    with matplotlib.rc_context({**STYLE, "axes.grid": False}):
        figure, (left, right) = _panels(2, 3.9, bottom=0.5, top=0.75)
        for axes, values, label, colours, end in (
            (left, loss, "insertion loss [dB]", "viridis", "max"),
            (right, spare_pct, "travel left on the worst axis [%]", "cividis", "min"),
        ):
            edge = np.percentile(values, 99.5) if end == "max" else values.max()
            drawn = axes.imshow(
                values, origin="lower", interpolation="nearest", cmap=colours, aspect="auto",
                extent=(-0.5, n_out - 0.5, -0.5, n_in - 0.5), vmax=edge,
                vmin=values.min() if end == "max" else min(0.0, values.min()),
            )  # fmt: skip
            axes.locator_params(nbins=TICKS, integer=True)
            axes.set_xlabel("output port")
            axes.set_ylabel("input port")
            place = axes.get_position()
            strip = figure.add_axes((place.x0, place.y1 + 0.03, place.width, 0.03))
            bar = figure.colorbar(
                drawn, cax=strip, location="top", label=label,
                extend="max" if end == "max" and values.max() > edge else "neither",
            )  # fmt: skip
            bar.outline.set_visible(False)  # type: ignore[operator]
        address = finish(figure)
    cells = "" if stride == 1 else f" A cell is {stride} by {stride} ports and shows the worst."
    return Picture(
        address,
        "Maps of insertion loss and of travel left, inputs upwards, outputs to the right.",
        "Left: insertion loss of every connection, bright is worse. Stripes are ports that lose "
        "much with every partner. Right: travel left to the axis that has least; below zero it "
        f"cannot be reached.{cells}",
    )


def distribution(table: ConnectionTable, limits: dict[str, float]) -> Picture:
    """Draw the histogram of the loss, and the share of connections beyond each loss."""
    loss = np.sort(table.insertion_db)
    top = min(float(loss[-1]), float(np.percentile(loss, 99)) + 3.0)
    with matplotlib.rc_context(STYLE):
        figure, (left, right) = _panels(2, 3.4, left=0.75, between=0.85)
        bars = int(np.clip(np.sqrt(len(loss)), 12, 80))
        left.hist(loss[loss <= top], bins=bars, color=BLUE, histtype="stepfilled")
        left.set_ylabel("connections")
        share = 1.0 - np.arange(len(loss)) / len(loss)
        keep = np.unique(np.geomspace(1, len(loss), 400).astype(int))
        right.plot(loss[-keep], 100.0 * share[-keep], color=BLUE, lw=1.6)
        right.set_yscale("log")
        right.set_ylabel("lose as much or more [%]")
        for axes in (left, right):
            for (name, value), colour, dash in zip(
                limits.items(), (VERMILION, INK), ("-", "--"), strict=False
            ):
                axes.axvline(value, color=colour, ls=dash, lw=1.4, label=name)
            axes.set_xlabel("insertion loss [dB]")
            span = max([top, *limits.values()])
            axes.set_xlim(min(float(loss[0]) - 0.05, span), span + 0.08)
        if limits:
            _key_below(figure, left, 2)
        address = finish(figure)
    beyond = int(np.sum(loss > top))
    rest = f" Beyond the left picture: {counted(beyond, 'connection')}." if beyond else ""
    return Picture(
        address,
        "Histogram of insertion loss with both limits, and the share of connections beyond.",
        f"{counted(len(loss), 'connection')} when new.{rest} Right: one minus the cumulative "
        "share.",
    )


def against(table: ConnectionTable) -> Picture:
    """Draw loss against the largest tilt and against the path."""
    tilt_mrad = 1e3 * highest(np.abs(tilt) for tilt in table.tilt_rad.T)
    loss = table.insertion_db
    stride = max(1, len(loss) // DOTS)
    with matplotlib.rc_context(STYLE):
        figure, panels = _panels(2, 3.5, between=0.2, right=0.3, shared=True)
        for axes, x, label in zip(
            panels, (tilt_mrad, 1e3 * table.path_m),
            ("largest tilt of the two mirrors [mrad]", "path [mm]"), strict=True,
        ):  # fmt: skip
            axes.plot(x[::stride], loss[::stride], ".", color=BLUE, ms=2.0, alpha=0.35,
                      label="a connection")  # fmt: skip
            axes.set_xlabel(label)
        trends = side_by_side(lambda x: _trend(x, loss), (tilt_mrad, 1e3 * table.path_m))
        for axes, (at, mean_db, high_db) in zip(panels, trends, strict=True):
            axes.plot(at, mean_db, color=VERMILION, lw=1.6, label="mean")
            axes.plot(at, high_db, color=INK, ls="--", lw=1.2, label="99th percentile")
        panels[0].set_ylabel("insertion loss [dB]")
        _key_below(figure, panels[0], 3, markerscale=4)
        address = finish(figure)
    thin = f" One in {stride} is drawn." if stride > 1 else ""
    return Picture(
        address, "Insertion loss against tilt and path.",
        f"Lines: mean and 99th percentile of bins with equally many connections.{thin}",
    )  # fmt: skip


def _trend(x: Array, y: Array) -> tuple[list[float], list[float], list[float]]:
    """Return mean x, mean y and 99th percentile of y in bins along x, equally full."""
    order = np.argsort(x, kind="stable")
    bins = np.array_split(order, min(20, max(1, len(x) // 20)))
    return (
        [float(x[b].mean()) for b in bins], [float(y[b].mean()) for b in bins],
        [float(np.percentile(y[b], 99)) for b in bins],
    )  # fmt: skip


def bars(table: ConnectionTable) -> Picture:
    """Draw what each contributor takes: mean, and from the best to the worst connection."""
    mean = table.losses_db.mean(axis=1)
    low = table.losses_db.min(axis=1)
    high = np.array(list(side_by_side(lambda each: np.percentile(each, 99.9), table.losses_db)))
    at = np.arange(len(mean))[::-1]
    with matplotlib.rc_context(STYLE):
        figure, (axes,) = _panels(1, 3.0, left=2.2, bottom=0.45)
        axes.barh(at, mean, color=BLUE, height=0.6, label="mean")
        axes.hlines(at, low, high, color=ORANGE, lw=4.0, alpha=0.85,
                    label="least to 99.9th percentile")  # fmt: skip
        for y, value, right in zip(at, mean, np.maximum(mean, high), strict=True):
            axes.text(right + 0.004, y, f"mean {value:.3f}", va="center", fontsize=8)
        axes.set_yticks(at, [WORDS[name] for name in CONTRIBUTORS])
        axes.set_xlabel("loss [dB]")
        axes.grid(axis="y", visible=False)
        axes.set_xlim(min(0.0, float(low.min())), 1.2 * float(np.max(np.maximum(mean, high))))
        axes.legend(loc="lower right")
        address = finish(figure)
    return Picture(
        address, "What each contributor takes of the budget.",
        "In the order in which light meets them. Edges, waists and gap, curvature and pointing act "
        "on one beam and are computed in one integral; the split takes waists and gap first, then "
        "what curvature adds, what pointing adds, and what the edges add to all that.",
    )  # fmt: skip


def over_band(band: dict[str, Any], limit_db: float | None) -> Picture:
    """Draw mean and worst loss over the band."""
    with matplotlib.rc_context(STYLE):
        figure, (axes,) = _panels(1, 2.6, right=1.9, bottom=0.45)
        for key, colour, dash, label in (
            ("mean_db", BLUE, "-", "mean of all connections"),
            ("max_db", GREEN, "--", "worst connection"),
        ):
            axes.plot(band["wavelengths_nm"], band[key], color=colour, ls=dash, marker="o", ms=4,
                      label=label)  # fmt: skip
        if limit_db is not None:
            axes.axhline(limit_db, color=VERMILION, lw=1.4, label="acceptance limit")
        axes.set_xlabel("wavelength [nm]")
        axes.set_ylabel("insertion loss [dB]")
        axes.legend(loc="center left", bbox_to_anchor=(1.01, 0.5))
        address = finish(figure)
    return Picture(
        address, "Insertion loss at the edges and the middle of the band.",
        "At each wavelength by itself, with the tilts found at the data wavelength.",
    )  # fmt: skip
