"""The picture of a search for gains: what noise is passed against what disturbance is left."""

from collections.abc import Sequence

import matplotlib
import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray

from sim.foundations.files.text import counted
from sim.foundations.ports import Array
from sim.report.drawing import BLUE, GREEN, INK, ORANGE, STYLE, VERMILION, Picture, finish


def front(points: Array) -> Array:
    """Return the (K, 2) points that no other beats in both coordinates, by the first."""
    order = points[np.lexsort((points[:, 1], points[:, 0]))]
    best = np.minimum.accumulate(order[:, 1])
    keep = np.concatenate([[True], order[1:, 1] < best[:-1]])
    return order[keep]


def trade(
    points: Array, meets: NDArray[np.bool_], marked: Sequence[tuple[str, float, float]]
) -> Picture:
    """Draw all gains tried.

    Parameters
    ----------
    points : (K, 2) ndarray
        Error left by disturbances, and by the loop's own noise. [urad]
    meets : (K,) ndarray of bool
        Which keep the demands.
    marked : sequence of (str, float, float)
        Points with a name; the first is the chosen one. [urad]
    """
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 4.0), layout="constrained")
        axes = figure.subplots()
        axes.plot(*points[~meets].T, "o", color=INK, mfc="none", ms=3.5, alpha=0.45, lw=0,
                  label="misses a demand")  # fmt: skip
        axes.plot(*points[meets].T, "o", color=BLUE, ms=3.5, lw=0, label="keeps all demands")
        if meets.any():
            axes.plot(*front(points[meets]).T, "-", color=BLUE, lw=1.2, label="trade curve")
        signs = ("*", "D", "s", "^", "v", "P")
        colours = (VERMILION, GREEN, ORANGE, ORANGE, ORANGE, ORANGE)
        for (name, x, y), sign, colour in zip(marked, signs, colours, strict=False):
            axes.plot([x], [y], sign, color=colour, ms=13 if sign == "*" else 8, mec=INK, mew=0.8,
                      label=name, lw=0)  # fmt: skip
        axes.set_xscale("log")
        axes.set_yscale("log")
        axes.set_xlabel("left of disturbances, radial rms [µrad]")
        axes.set_ylabel("passed of noise and drive steps [µrad]")
        axes.legend(loc="upper left", bbox_to_anchor=(1.01, 1.0))
        address = finish(figure)
    return Picture(
        address,
        "Noise passed against disturbance left, for all gains tried.",
        f"{counted(len(points), 'stable set')} of gains, {int(meets.sum())} of which keep the "
        "demands. Left and down is better; the trade curve joins the gains that keep the demands "
        "and that no other such gains beat both ways.",
    )
