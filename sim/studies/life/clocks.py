"""The picture of both clocks on one interval: every mirror, and every connection."""

from typing import Any

import matplotlib
import numpy as np
from matplotlib.figure import Figure

from sim.report.drawing import BLUE, INK, STYLE, VERMILION, Picture, finish


def clocks(overlap: dict[str, Any]) -> Picture:
    """Draw corrections of slow time against those of the full loop, and both laws of loss.

    Parameters
    ----------
    overlap : dict
        From `sim.studies.life.both_clocks.overlap`.
    """
    corrections, losses = overlap["correction_urad"], overlap["connection_db"]
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 3.2), layout="constrained")
        left, right = figure.subplots(1, 2)
        ends = [min(corrections["full"]), max(corrections["full"])]
        left.plot(ends, ends, color=INK, lw=0.9)
        left.plot(corrections["full"], corrections["slow"], ".", color=BLUE, ms=4)
        left.set_xlabel("full loop [µrad]")
        left.set_ylabel("slow time [µrad]")
        left.set_title("correction of every mirror and axis")
        for clock, words, colour, dash in (
            ("full", "full loop", BLUE, "-"), ("slow", "slow time", VERMILION, "--"),
        ):  # fmt: skip
            own = np.sort(losses[clock])
            share = 100.0 * (np.arange(len(own)) + 1) / len(own)
            right.step(own, share, where="post", color=colour, ls=dash, lw=1.5, label=words)
        right.set_xlabel("mean insertion loss [dB]")
        right.set_ylabel("connections with no more [%]")
        right.set_title("loss of every connection")
        right.legend(loc="lower right")
        address = finish(figure)
    return Picture(
        address, "Corrections and losses by both clocks.",
        f"The first {overlap['seconds']:g} s. Left: on the line both clocks give the same "
        "correction. Right: share of connections against their mean loss.",
    )  # fmt: skip
