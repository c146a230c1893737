"""The comparison's pictures: one sheet of small panels, the same colours and marks throughout."""

from collections.abc import Mapping, Sequence
from typing import Any

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, LogLocator, NullLocator
from numpy.typing import NDArray

from sim.foundations.ports import Array
from sim.report.drawing import INK, STYLE, Picture, finish
from sim.studies.estimators.cases import AXES
from sim.studies.estimators.rows import Row

# Okabe and Ito's palette for colour-blind readers; dash and mark differ as well.
LOOKS: tuple[tuple[str, str, str], ...] = (
    ("#0072B2", "-", "o"),
    ("#D55E00", "-", "s"),
    ("#009E73", "-", "^"),
    ("#E69F00", "--", "v"),
    ("#CC79A7", "--", "D"),
    ("#56B4E9", "--", "P"),
    ("#6b7480", "-.", "X"),
    ("#8a6d00", "-.", "*"),
    ("#1d2733", ":", "."),
    ("#7a3b9a", ":", "h"),
)
PANELS: tuple[tuple[str, str, str, bool, bool], ...] = (
    ("signal", "corrected_px", "calibrated error [px]", True, True),
    ("spot_width", "corrected_px", "calibrated error [px]", True, True),
    ("background", "corrected_px", "calibrated error [px]", False, True),
    ("window", "corrected_px", "calibrated error [px]", False, True),
    ("dim", "rms_error_px", "error as it comes [px]", True, True),
    ("defocus", "rms_error_px", "error as it comes [px]", False, True),
    ("background_step", "rms_error_px", "error as it comes [px]", False, True),
    ("motion", "rms_error_px", "error as it comes [px]", False, True),
    ("saturation", "rms_error_px", "error as it comes [px]", True, True),
    ("ghost", "rms_error_px", "error as it comes [px]", False, True),
    ("hot_pixels", "rms_error_px", "error as it comes [px]", True, True),
    ("spill", "rms_error_px", "error as it comes [px]", False, True),
    ("prnu", "rms_error_px", "error as it comes [px]", False, True),
    ("phase", "bias_x_px", "mean error along x [px]", False, False),
    ("offset", "bias_x_px", "mean error along x [px]", False, False),
)
"""axis, what is drawn, its name, logarithmic along x, logarithmic along y."""
MOST_WINDOWS = 8
PHASE_LIMIT_PX = 0.02
OFFSET_LIMIT_PX = 0.1


def sheet(rows: Sequence[Row]) -> Picture:
    """Draw every axis of the comparison."""
    names = list(dict.fromkeys(row["estimator"] for row in rows))
    looks = dict(zip(names, LOOKS, strict=False))
    panels = [p for p in PANELS if any(row["axis"] == p[0] for row in rows)]
    across = 3
    down = -(-(len(panels) + 1) // across)
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(11.0, 2.75 * down), layout="constrained")
        grid = figure.subplots(down, across, squeeze=False).ravel()
        for axes, panel in zip(grid, panels, strict=False):
            _panel(axes, rows, panel, looks)
        handles, labels = grid[0].get_legend_handles_labels()
        for axes in grid[len(panels) :]:
            axes.set_axis_off()
        grid[len(panels)].legend(handles, labels, loc="center", handlelength=3.2, fontsize=9)
        address = finish(figure)
    return Picture(
        address,
        "Error of each estimator along every axis of the comparison, with the Cramer-Rao bound.",
        "Grey band: below the Cramer-Rao bound of the clean frame. Calibrated error: what is left "
        "once the straight line of reading against place is taken out; error as it comes: bias and "
        "scatter of the readings that say OK. A point is missing where fewer than half of the "
        "spots were read. The last two panels show the mean error along x, with its sign. Each "
        "panel says whether settings are made anew for each of its points.",
    )


def _panel(
    axes: Axes,
    rows: Sequence[Row],
    panel: tuple[str, str, str, bool, bool],
    looks: Mapping[str, tuple[str, str, str]],
) -> None:
    axis, key, label, log_x, log_y = panel
    here = [row for row in rows if row["axis"] == axis]
    for name, (colour, dash, mark) in looks.items():
        own = sorted((r for r in here if r["estimator"] == name), key=lambda r: float(r["value"]))
        x = [r["value"] for r in own]
        y = [r[key] if r[key] is not None and r["failure_rate"] <= 0.5 else np.nan for r in own]
        axes.plot(x, y, color=colour, ls=dash, marker=mark, ms=4, lw=1.3, label=name)
    title, unit = AXES[axis].title, AXES[axis].unit
    axes.set_title(title, fontsize=9)
    adapted = "settings made for each point; (scenario): fixed"
    axes.annotate(
        adapted if AXES[axis].adapted else "settings fixed",
        (0.98, 0.02), xycoords="axes fraction", ha="right", va="bottom", fontsize=6.5, color=INK,
    )  # fmt: skip
    axes.set_xlabel(f"[{unit}]")
    axes.set_ylabel(label)
    if log_x:
        axes.set_xscale("log")
        axes.set_xticks([], minor=True)
        ticks = sorted({r["value"] for r in here})
        axes.set_xticks(ticks, [f"{t:g}" for t in ticks], rotation=40 if len(ticks) > 3 else 0)
    if log_y:
        axes.set_yscale("log")
        axes.yaxis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
        axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
        axes.yaxis.set_minor_locator(NullLocator())
        points = sorted({(r["value"], r["bound_px"]) for r in here if r["bound_px"] is not None})
        x, bound = [p[0] for p in points], [p[1] for p in points]
        low = 0.7 * min(bound)
        axes.fill_between(x, low, bound, color="#cfd6dc", lw=0, label="below the bound")
        axes.set_ylim(bottom=low)
    else:
        limit = PHASE_LIMIT_PX if axis == "phase" else OFFSET_LIMIT_PX
        axes.set_ylim(-limit, limit)
        axes.axhline(0, color=INK, lw=0.7)


def windows_picture(frames_dn: NDArray[np.int32], spots_px: Array, names: Sequence[str]) -> Picture:
    """Draw some windows with each estimator's reading: spread over the record, and the worst."""
    count = min(MOST_WINDOWS - 1, len(frames_dn))
    spread = np.linspace(0, len(frames_dn) - 1, count).round().astype(int)
    none = ~np.isfinite(spots_px).any(axis=(0, 2), keepdims=True)
    read = np.where(none, 0.0, spots_px)
    apart = (np.nanmax(read, axis=0) - np.nanmin(read, axis=0)).max(axis=-1)
    worst = int(apart.argmax())
    shown = [*dict.fromkeys(int(k) for k in spread if k != worst), worst]
    across = min(4, len(shown))
    down = -(-len(shown) // across)
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(11.0, 2.9 * down + 0.6), layout="constrained")
        grid = figure.subplots(down, across, squeeze=False).ravel()
        for axes, k in zip(grid, shown, strict=False):
            axes.imshow(frames_dn[k], cmap="gray", interpolation="nearest")
            for (colour, _, mark), name, spot in zip(LOOKS, names, spots_px[:, k], strict=False):
                axes.plot(*spot, mark, color=colour, mfc="none", ms=7, mew=1.2, label=name)
            text = f"frame {k}" + (f": readings {apart[k]:.2f} px apart" if k == worst else "")
            axes.set_title(text, fontsize=9)
            axes.set_xlabel("x [px]")
            axes.set_ylabel("y [px]")
            axes.grid(False)
        for axes in grid[len(shown) :]:
            axes.set_axis_off()
        handles, labels = grid[0].get_legend_handles_labels()
        figure.legend(handles, labels, loc="outside lower center", ncols=5, fontsize=8)
        address = finish(figure)
    return Picture(
        address,
        "Recorded windows with the reading of each estimator.",
        "Windows spread over the record, and last the one whose readings are farthest apart. "
        "Brightness is scaled window by window; a missing mark is a spot that was not read.",
    )


def loop_picture(loops: Sequence[Mapping[str, Any]]) -> Picture:
    """Draw the loop's pointing error with each estimator."""
    names = [row["estimator"] for row in loops]
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(11.0, 0.9 + 0.28 * len(names)), layout="constrained")
        left, right = figure.subplots(1, 2, sharey=True)
        for axes, key, label in (
            (left, "rms_urad", "residual pointing error, rms [µrad]"),
            (right, "excess_mean_db", "mean loss over aligned [dB]"),
        ):
            values = [row[key] if row[key] is not None else np.nan for row in loops]
            axes.barh(names, values, color=LOOKS[0][0], height=0.6)
            for place, value in enumerate(values):
                axes.annotate(f" {value:.4g}", (value, place), va="center", fontsize=8)
            axes.set_xlabel(label)
            axes.margins(x=0.15)
            axes.grid(False, axis="y")
        left.invert_yaxis()
        address = finish(figure)
    return Picture(address, "Pointing error and loss in the loop with each estimator.", "")
