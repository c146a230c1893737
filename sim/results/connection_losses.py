"""The loss of connections in the hold interval: means, percentiles, outage, dark, the worst."""

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.foundations.ports import Array
from sim.optics.epochs import Epoch
from sim.results.hold import MetricsParams
from sim.results.table import Figure
from sim.results.traces import Traces

N_WORST = 5
DARK_DB = 40.0
"""A connection with more misalignment loss is dark: no receiver sees it. [dB]"""


def is_dark(figure: Figure, value: float | None) -> bool:
    """Whether a loss only means that there is no light; one that should be large does not."""
    loss = figure.unit == "dB" and figure.worse == "higher"
    return loss and value is not None and value > DARK_DB


def coupling_of(
    traces: Traces,
    epochs: Sequence[Epoch],
    epoch_of: NDArray[np.int64],
    hold: NDArray[np.bool_],
    params: MetricsParams,
) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """Return the figures of the loss, and the connections that lost most."""
    which = epoch_of[hold]
    aligned = aligned_over_time(epochs, which)
    names = ("mean_db", "p99_db", "max_db", "excess_mean_db", "excess_max_db", "aligned_max_db")
    figures: dict[str, Any] = dict.fromkeys(
        (*names, "outage_ms", "outage_total_ms", "dark_ms", "dark_total_ms")
    )
    figures |= {"outage_limit_db": params.outage_excess_db, "p99_count": int(aligned.size)}
    if aligned.size == 0:
        return figures, []
    dark = traces.excess_peak_db[hold] > DARK_DB
    mean_db, excess_mean_db, p99_db, p99_count = _bright_losses(traces, hold, aligned, dark)
    dark_ms = dark.sum(axis=0) * traces.interval_ticks * traces.tick_s * 1e3
    peak_db = aligned + traces.excess_peak_db[hold]
    outage_ms = traces.excess_ticks_out[hold].sum(axis=0, dtype=np.int64) * traces.tick_s * 1e3
    figures |= {
        "mean_db": mean_db,
        "p99_db": p99_db,
        "p99_count": p99_count,
        "max_db": float(peak_db.max()),
        "excess_mean_db": excess_mean_db,
        "excess_max_db": float(traces.excess_peak_db[hold].max()),
        "aligned_max_db": float(aligned.max()),
        "outage_ms": float(outage_ms.max()),
        "outage_total_ms": float(outage_ms.sum()),
        "dark_ms": float(dark_ms.max()),
        "dark_total_ms": float(dark_ms.sum()),
    }
    largest_db, row = peak_db.max(axis=0), peak_db.argmax(axis=0)
    worst = [
        {
            "name": f"in {traces.inputs[c]} -> out {epochs[which[row[c]]].outputs[c]}",
            "max_db": float(largest_db[c]),
            "at_ms": float(traces.time_s[hold][row[c]] * 1e3),
            "outage_ms": float(outage_ms[c]),
        }
        for c in np.argsort(-largest_db, kind="stable")[:N_WORST]
    ]
    return figures, worst


def _bright_losses(
    traces: Traces, hold: NDArray[np.bool_], aligned: Array, dark: NDArray[np.bool_]
) -> tuple[float | None, float | None, float | None, int]:
    """Means of insertion and misalignment loss, and p99 of its count, without what is dark."""
    excess_mean_db = traces.excess_mean_db[hold]
    samples_db = aligned + traces.excess_db[hold]
    if not dark.any():
        mean = excess_mean_db.mean(dtype=float)
        p99 = float(np.percentile(samples_db, 99))
        return float(aligned.mean() + mean), float(mean), p99, samples_db.size
    bright = ~dark
    if not bright.any():
        return None, None, None, 0
    mean = excess_mean_db[bright].mean(dtype=float)
    samples_db = samples_db[bright]
    p99 = float(np.percentile(samples_db, 99))
    return float(aligned[bright].mean() + mean), float(mean), p99, samples_db.size


def aligned_over_time(epochs: Sequence[Epoch], epoch_of: NDArray[np.int64]) -> Array:
    """Return the (T, C) aligned loss [dB] at instants whose (T,) epochs are given."""
    return np.stack([e.aligned_db for e in epochs])[epoch_of]
