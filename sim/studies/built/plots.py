"""Pictures of a population of switches."""

import matplotlib
import numpy as np
from matplotlib.figure import Figure

from sim.foundations.files.text import counted
from sim.report.drawing import BLUE, GREEN, INK, ORANGE, STYLE, VERMILION, Picture, finish
from sim.studies.built.study import Yield

SHOWN = 12
"""Tolerances drawn."""


def curve(found: Yield) -> Picture:
    """Draw the yield against the limits, and the worst losses of all switches."""
    limits = found.results["limits"]
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 3.6), layout="constrained")
        left, right = figure.subplots(1, 2)
        shift, share = np.array(found.curve).T
        left.plot(shift, 100.0 * share, color=BLUE, lw=1.7)
        left.axvline(0.0, color=INK, lw=1.1, ls=":")
        left.set_xlabel("both limits moved by [dB]")
        left.set_ylabel("switches that meet both [%]")
        left.set_ylim(-3, 103)
        both = np.concatenate([found.population.new_worst_db, found.population.late_worst_db])
        bins = np.linspace(both.min(), both.max() + 1e-9, 45)
        for values, colour, label in (
            (found.population.new_worst_db, BLUE, "new"),
            (found.population.late_worst_db, ORANGE, "end of life"),
        ):
            right.hist(values, bins=bins, color=colour, alpha=0.75, label=label)
        right.axvline(limits["acceptance_db"], color=VERMILION, lw=1.4, label="acceptance limit")
        right.axvline(limits["end_of_life_db"], color=INK, ls="--", lw=1.4,
                      label="end-of-life limit")  # fmt: skip
        right.set_xlabel("loss of the worst connection [dB]")
        right.set_ylabel("switches")
        figure.legend(*right.get_legend_handles_labels(), loc="outside lower center", ncols=4)
        address = finish(figure)
    return Picture(
        address, "Yield against the limits, and the worst loss of each switch.",
        f"{counted(found.results['switches'], 'switch', 'switches')}. Left: share of switches of "
        "which no connection misses, if both limits stood higher or lower; the dotted line is "
        "where they stand. Right: the largest loss among a switch's connections.",
    )  # fmt: skip


def first_to_buy(found: Yield) -> Picture:
    """Draw what halving each tolerance gains, and the yield with all of them wider."""
    rows = found.bought[:SHOWN][::-1]
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 3.8), layout="constrained")
        left, right = figure.subplots(1, 2, width_ratios=(1.25, 1.0))
        at = np.arange(len(rows))
        left.barh(at, [b.gained_db for b in rows], color=BLUE, height=0.65)
        left.set_yticks(at, [b.words for b in rows])
        left.grid(axis="y", visible=False)
        left.set_xlabel("gained by halving it [dB]")
        factor = [w.factor for w in found.widened]
        right.plot(factor, [100 * w.met for w in found.widened], color=BLUE, marker="o", ms=4,
                   label="limits as they are")  # fmt: skip
        right.plot(factor, [100 * w.met_one_db_more for w in found.widened], color=GREEN, ls="--",
                   marker="s", ms=4, label="both limits 1 dB higher")  # fmt: skip
        right.set_xlabel("all tolerances times")
        right.set_ylabel("switches that meet both [%]")
        right.set_ylim(-3, 103)
        figure.legend(*right.get_legend_handles_labels(), loc="outside lower right", ncols=2)
        address = finish(figure)
    return Picture(
        address, "What to buy down first, and what one more dB of budget allows.",
        f"The same {counted(found.results['tolerance_switches'], 'switch', 'switches')} each time. "
        "Left: by how much the worst loss that 95 % of the switches keep falls against its nearer "
        "limit. Right: yield with every tolerance wider.",
    )  # fmt: skip
