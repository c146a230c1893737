"""Maps of both mirror arrays: who points badly, and who loses light."""

from collections.abc import Mapping, Sequence
from typing import Any

import matplotlib
from matplotlib.figure import Figure

from sim.foundations.ports import Array
from sim.report.drawing import STYLE, Picture, finish
from sim.results.connection_losses import DARK_DB


def array_maps(
    mirrors: Mapping[str, Sequence[Any]],
    connections: Mapping[str, Sequence[Any]],
    places: Mapping[str, Array],
) -> Picture | None:
    """Draw the largest error of each mirror, and the misalignment loss of what it carries.

    Parameters
    ----------
    mirrors, connections : mapping
        Columns of `sim.results.ranking.Rows`.
    places : mapping
        "A" and "B" -> (P, 2) place of each mirror on its array, by port. [mm]

    Returns
    -------
    Picture or None
        None if there is nothing to show.
    """
    if not mirrors or not connections:
        return None
    error = {name: value for name, value in zip(mirrors["name"], mirrors["max_urad"], strict=True)}
    loss: dict[str, float] = {}
    for name, value in zip(connections["name"], connections["excess_max_db"], strict=True):
        words = name.split()
        for mirror in (f"A{int(words[1]):02d}", f"B{int(words[-1]):02d}"):
            loss[mirror] = min(value, DARK_DB)
    with matplotlib.rc_context(STYLE | {"axes.grid": False}):
        figure = Figure(figsize=(7.4, 5.0), layout="constrained")
        grid = figure.subplots(2, 2)
        for row, (values, title) in enumerate(
            ((error, "largest pointing error [µrad]"), (loss, "largest misalignment loss [dB]"))
        ):
            high = max(values.values())
            for column, side in enumerate("AB"):
                axes, place = grid[row, column], places[side]
                drawn = [p for p in range(len(place)) if f"{side}{p:02d}" in values]
                dark = [p for p in range(len(place)) if p not in set(drawn)]
                axes.plot(*place[dark].T, "o", mfc="none", mec="#9aa5b0", ms=4, lw=0)
                shown = axes.scatter(
                    *place[drawn].T, c=[values[f"{side}{p:02d}"] for p in drawn], cmap="cividis",
                    vmin=0, vmax=max(high, 1e-12), s=46,
                )  # fmt: skip
                worst = max(drawn, key=lambda p: values[f"{side}{p:02d}"])
                axes.annotate(
                    f"{side}{worst:02d}", place[worst], xytext=(4, 4), textcoords="offset points",
                    fontsize=7.5,
                )  # fmt: skip
                axes.set_aspect("equal")
                axes.set_title(f"array {side}")
                axes.set_xlabel("x [mm]")
                axes.set_ylabel("y [mm]")
                axes.margins(0.08)
            figure.colorbar(shown, ax=grid[row, :], label=title, shrink=0.9)
        address = finish(figure)
    return Picture(
        address,
        "Maps of both mirror arrays by largest pointing error and misalignment loss.",
        "Each dot is a mirror at its place, over the hold interval; the worst of each array is "
        f"named, and mirrors without light are open. Losses are cut at {DARK_DB:g} dB.",
    )
