"""How the insertion loss is spread over the hold interval."""

from collections.abc import Sequence

import matplotlib
import numpy as np
from matplotlib.figure import Figure

from sim.foundations.files.text import counted
from sim.optics.epochs import Epoch
from sim.report.drawing import (
    BLUE,
    STYLE,
    VERMILION,
    Picture,
    finish,
    key_below,
)
from sim.results.connection_losses import DARK_DB, aligned_over_time
from sim.results.hold import HoldInterval
from sim.results.traces import Traces


def loss_histogram(
    traces: Traces, epochs: Sequence[Epoch], hold: HoldInterval, limits: Sequence[tuple[str, float]]
) -> Picture | None:
    """Draw how the insertion loss is spread over the hold interval."""
    tick = traces.tick_s
    rows = hold.whole(traces.end_ticks, traces.interval_ticks, tick)
    begun = np.array([e.start_s for e in epochs]) + 0.5 * tick
    which = np.maximum(np.searchsorted(begun, traces.time_s[rows]) - 1, 0)
    total = aligned_over_time(epochs, which) + traces.excess_db[rows]
    if total.size == 0:
        return None
    dark = traces.excess_db[rows] > DARK_DB
    beyond, shape = int(dark.sum()), total.shape
    total = total[~dark]
    if total.size == 0:
        return None
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 2.7), layout="constrained")
        axes = figure.subplots()
        lowest, highest = float(total.min()), float(total.max())
        spread = max(highest - lowest, 0.1)
        axes.hist(
            total.ravel(),
            bins=np.linspace(lowest - 0.02 * spread, lowest + 1.02 * spread, 61).tolist(),
            color=BLUE,
            alpha=0.75,
            log=True,
        )
        for (label, value), dash in zip(limits, ("-", "--"), strict=False):
            axes.axvline(value, color=VERMILION, lw=1.6, ls=dash, label=f"{label}: {value:g} dB")
        axes.set_xlabel("insertion loss [dB]")
        axes.set_ylabel("samples")
        if limits:
            key_below(axes, 2)
        address = finish(figure)
    return Picture(
        address,
        "Histogram of the insertion loss over the hold interval.",
        f"{counted(total.size, 'sample')} of {counted(shape[1], 'connection')} at the ends of "
        f"{counted(shape[0], 'interval')}, so short peaks between them do not show here; "
        "counts are on a logarithmic axis. "
        + (f"{counted(beyond, 'dark sample')} left out." if beyond else ""),
    )
