"""The picture of a move: light in wrong outputs against its limit, and when light is back."""

from typing import Any, Final

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from sim.report.drawing import BLUE, GREEN, INK, ORANGE, STYLE, VERMILION, Picture, finish
from sim.studies.connections.summary import ORDERS

SHORT: Final = {
    "as_stated": "as the scenario\nstates it", "together": "all at once",
    "mirrors_a_first": "array A, then B", "by_mirror": "A and B in turns",
}  # fmt: skip
LINES: Final = ((BLUE, "-"), (ORANGE, "--"), (GREEN, "-."), (INK, ":"))


def orders_picture(
    move: dict[str, Any], runs: list[tuple[str, dict[str, Any]]], limit_db: float | None,
    settling_max_ms: float | None = None,
) -> Picture:  # fmt: skip
    """Draw the orders that were tried; `runs` are those made through the loop, with their names.

    With the limit of settling, if the scenario has one. [ms]
    """
    through = {words: bulk for words, bulk in runs}
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 3.2), layout="constrained")
        left, *rest = figure.subplots(1, 2 if runs else 1, squeeze=False)[0]
        _light(left, move, through, limit_db)
        if rest:
            _times(rest[0], runs, settling_max_ms)
        address = finish(figure)
    alt = "Strongest light in a wrong output for each order of the move" + (
        "" if limit_db is None else ", with its limit"
    )
    caption = "Left: how far down the strongest light in a wrong output is; longer bars are better."
    if runs:
        alt += "; connections with light against time after the command"
        caption += " Right: connections that have light for good, by time after the command."
        if settling_max_ms is not None:
            caption += (
                " Its limit is for mirrors to be settled, which may come later: see the table."
            )
    else:
        caption = caption.removeprefix("Left: ").capitalize()
    return Picture(address, alt + ".", caption)


def _light(
    axes: Axes, move: dict[str, Any], through: dict[str, dict[str, Any]], limit_db: float | None
) -> None:
    names = list(move)
    places = np.arange(len(names))[::-1]
    high = 0.36 if through else 0.6
    shift = 0.19 if through else 0.0
    straight = [move[name]["worst_pair_db"] for name in names]
    axes.barh(places + shift, straight, high, color=BLUE, label="straight ways")
    rows = [(p + shift, v) for p, v in zip(places, straight, strict=True)]
    if through:
        seen = [(p, through.get(ORDERS[name])) for p, name in zip(places, names, strict=True)]
        drawn = [(p - shift, b["crosstalk_worst_pair_db"]) for p, b in seen if b is not None]
        axes.barh(
            [p for p, _ in drawn], [v for _, v in drawn], high, color=ORANGE,
            label="through the loop",
        )  # fmt: skip
        rows += drawn
    for place, value in rows:
        axes.annotate(
            f"{value:.1f}", (value, place), (3, 0), textcoords="offset points", va="center",
            fontsize=8.0, bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.6}, zorder=5,
        )  # fmt: skip
    top = max([value for _, value in rows] + ([] if limit_db is None else [limit_db]))
    if limit_db is not None:
        axes.axvline(limit_db, color=VERMILION, lw=1.4, label=f"limit, {limit_db:g} dB")
    axes.set_xlim(0.0, 1.17 * top)
    axes.set_yticks(places, [SHORT[name] for name in names])
    axes.set_xlabel("below what the beam sends [dB]")
    axes.grid(visible=False, axis="y")
    axes.legend(loc="upper center", bbox_to_anchor=(0.4, -0.2), ncols=3, columnspacing=1.0)


def _times(
    axes: Axes, runs: list[tuple[str, dict[str, Any]]], settling_max_ms: float | None
) -> None:
    last = max([bulk["max_ms"] or 0.0 for _, bulk in runs] + [settling_max_ms or 1.0])
    short = {ORDERS[name]: words.replace("\n", " ") for name, words in SHORT.items()}
    for (words, bulk), (colour, dash) in zip(runs, LINES, strict=False):
        times = np.sort([t for t in bulk["time_to_light_ms"] if t is not None])
        axes.step(
            [0.0, *times, 1.06 * last], [0, *range(1, len(times) + 1), len(times)], where="post",
            color=colour, ls=dash, lw=1.6, label=short.get(words, "outputs chosen"),
        )  # fmt: skip
    if settling_max_ms is not None:
        words = f"settling limit, {settling_max_ms:g} ms"
        axes.axvline(settling_max_ms, color=VERMILION, lw=1.4, label=words)
    axes.set_xlim(0.0, 1.06 * last)
    axes.set_ylim(bottom=0)
    axes.set_xlabel("time after the command [ms]")
    axes.set_ylabel("connections with light")
    axes.legend(loc="upper center", bbox_to_anchor=(0.5, -0.2), ncols=2)
