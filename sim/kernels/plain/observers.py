"""Errors of mirrors and losses of connections, recorded at every tick."""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from sim.foundations.ports import Array
from sim.kernels.observed import ErrorTraces
from sim.kernels.stretch import ObservedLimits
from sim.optics.beams import NO_LIGHT_DB, CoupledBeams, misalignment_db

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


def observe_connections(first_frame: int, histories: Array, watched: ObservedLimits) -> None:
    """Add the ticks of some frames to the traces of connections.

    A loss is a quadratic form of the errors (Ax, Ay, Bx, By) up to where that holds for the
    connection, and from there on the exact overlap, until there is no light.

    Parameters
    ----------
    first_frame : int
        Number of the first frame in the run.
    histories : (F, N + 1, 2, M) ndarray
        Tilts at the frames' tick edges; the first belongs to the frame before. [rad]
    watched : ObservedLimits
        What is observed; its traces of losses are filled.
    """
    pairs, beams = watched.pairs, watched.beams
    interval, excess, mean, peak, first_out, last_out, ticks_out = watched.losses
    n_ticks = histories.shape[1] - 1
    for k, history in enumerate(histories):
        first_tick = (first_frame + k) * n_ticks
        for row, ticks, marks in _pieces(first_tick, history, interval, len(mean)):
            loss = _losses(ticks[:, :, pairs], watched.aim_rad[:, pairs], watched.form_db, beams)
            mean[row] += (loss.sum(axis=0) / interval).astype(F32)
            np.maximum(peak[row], loss.max(axis=0).astype(F32), out=peak[row])
            out = loss > watched.outage_db
            _mark(out, marks, first_out[row], last_out[row])
            ticks_out[row] += out.sum(axis=0).astype(np.int32)
            if marks[-1] == interval:
                excess[row] = loss[-1]


def _losses(tilts: Array, aims: Array, form: Array, beams: CoupledBeams) -> Array:
    """Return losses (n, C) from tilts (n, 2, C, 2) and aims (2, C, 2): axis, connection, side."""
    four = tilts.transpose(0, 2, 3, 1).reshape(len(tilts), -1, 4)
    error = four - aims.transpose(1, 2, 0).reshape(-1, 4)
    loss = np.einsum("nci,cij,ncj->nc", error, form, error)
    far = (loss > beams.form_range_db) & (loss < NO_LIGHT_DB)
    if far.any():
        loss[far] = misalignment_db(beams, np.nonzero(far)[1], four[far])
    return np.asarray(loss)


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
