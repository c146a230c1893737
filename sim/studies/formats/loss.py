"""What a run loses in its hold interval, mirror by mirror, and how two runs compare."""

from typing import NamedTuple

import numpy as np

from sim.foundations.ports import Array
from sim.results.hold import hold_of
from sim.results.traces import Traces
from sim.studies.run.make import Run


class Loss(NamedTuple):
    """What a run has in the hold interval."""

    square_rad2: Array
    """(M,) mean squared radial error of each mirror. [rad^2]"""
    bias_rad2: Array
    """(M,) squared mean error. [rad^2]"""
    excess_db: float
    """Mean misalignment loss. [dB]"""
    lost: int
    """Frames with a lost spot."""
    cut_off: int

    @property
    def rms_rad(self) -> float:
        """Radial rms over mirrors. [rad]"""
        return float(np.sqrt(self.square_rad2.mean()))


def loss_of(run: Run) -> Loss:
    """Return what a run has in its hold interval, mirror by mirror."""
    traces: Traces = run.outcome.traces
    hold = hold_of(run.built.resolved.metrics, float(traces.time_s[-1] * 1e3))
    held = hold.whole(traces.end_ticks, traces.interval_ticks, traces.tick_s)
    square = traces.error_square_rad2[held].astype(float).mean(axis=0)
    mean = traces.error_mean_rad[held].astype(float).mean(axis=0)
    cut_off = run.outcome.cut_off
    return Loss(
        square, (mean**2).sum(axis=-1), float(run.figures["coupling"]["excess_mean_db"]),
        int(run.figures["lost"]["frames"]), 0 if cut_off is None else int(cut_off.sum()),
    )  # fmt: skip


def more_of(found: Loss, against: Loss) -> tuple[float, float]:
    """Return residual over residual less 1, and its standard error; mirrors are pairs.

    The ratio of two sums over the same mirrors, whose scatter is that of the differences
    d_m = a_m - r b_m: the linear formula for a ratio of means, halved for the root.
    """
    a, b = found.square_rad2, against.square_rad2
    ratio = a.sum() / b.sum()
    apart = a - ratio * b
    n = len(a)
    error = np.sqrt((apart**2).sum() * n / max(n - 1, 1)) / b.sum()
    return float(np.sqrt(ratio) - 1.0), float(0.5 * error / np.sqrt(ratio))
