"""Errors of mirrors and losses of connections, recorded at every tick."""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from sim.kernels.observed import ErrorTraces, LossTraces
from sim.ports import Array

F32 = np.float32


def observe_mirrors(
    first_tick: int, history: Array, aim: Array, tolerance_rad: float, traces: ErrorTraces
) -> None:
    """Add one frame's ticks of error to the traces of mirrors.

    Parameters
    ----------
    first_tick : int
        Number of the frame's first tick in the run.
    history : (N + 1, 2, M) ndarray
        Tilt at the frame's tick edges; the first belongs to the frame before. [rad]
    aim : (2, M) ndarray
        [rad]
    tolerance_rad : float
        Radial error beyond which a mirror is out. [rad]
    traces : ErrorTraces
        Filled.
    """
    interval, error, mean, square, peak, first_out, last_out = traces
    for row, ticks, marks in _pieces(first_tick, history, interval, len(square)):
        e = ticks - aim
        radial = e[:, 0] * e[:, 0] + e[:, 1] * e[:, 1]
        mean[row] += (e.sum(axis=0).T / interval).astype(F32)
        square[row] += (radial.sum(axis=0) / interval).astype(F32)
        np.maximum(peak[row], np.sqrt(radial.max(axis=0)).astype(F32), out=peak[row])
        _mark(radial > tolerance_rad * tolerance_rad, marks, first_out[row], last_out[row])
        if marks[-1] == interval:
            error[row] = e[-1].T


def observe_connections(
    first_tick: int, history: Array, aim: Array, pairs: NDArray, form: Array, limit_db: float,
    traces: LossTraces,
) -> None:  # fmt: skip
    """Add one frame's ticks of excess loss to the traces of connections.

    Parameters
    ----------
    first_tick, history, aim
        As in `observe_mirrors`.
    pairs : (C, 2) ndarray of int
        Columns of the fleet that carry each connection.
    form : (C, 4, 4) ndarray
        Excess loss as a quadratic form of the errors (Ax, Ay, Bx, By). [dB/rad^2]
    limit_db : float
        Excess loss beyond which a connection is out. [dB]
    traces : LossTraces
        Filled.
    """
    interval, excess, mean, peak, first_out, last_out, ticks_out = traces
    for row, ticks, marks in _pieces(first_tick, history, interval, len(mean)):
        e = (ticks - aim)[:, :, pairs]  # (n, 2, C, 2)
        e = e.transpose(0, 2, 3, 1).reshape(len(ticks), len(pairs), 4)
        loss = np.einsum("nci,cij,ncj->nc", e, form, e)
        mean[row] += (loss.sum(axis=0) / interval).astype(F32)
        np.maximum(peak[row], loss.max(axis=0).astype(F32), out=peak[row])
        out = loss > limit_db
        _mark(out, marks, first_out[row], last_out[row])
        ticks_out[row] += out.sum(axis=0).astype(np.int32)
        if marks[-1] == interval:
            excess[row] = loss[-1]


def _pieces(
    first_tick: int, history: Array, interval: int, rows: int
) -> Iterator[tuple[int, Array, NDArray[np.int64]]]:
    """Cut a frame at the sampling intervals: (row, tilt after each tick, ticks as 1 to `interval`).

    Ticks after the last row are left out.
    """
    ticks = np.arange(first_tick, first_tick + len(history) - 1)
    for row in np.unique(ticks // interval):
        if row < rows:
            inside = ticks // interval == row
            yield int(row), history[1:][inside], ticks[inside] % interval + 1


def _mark(out: NDArray[np.bool_], marks: NDArray[np.int64], first: NDArray, last: NDArray) -> None:
    """Note the first and the last tick at which something is out."""
    for o, at in zip(out, marks, strict=True):
        first[o & (first == 0)] = at
        last[o] = at
