"""Readings against the truth: bias, scatter, and a figure that bias cannot flatter."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.foundations.ports import Array, SpotReading, SpotStatus

WRONG_PX = 0.5
WRONG_BOUNDS = 5.0
LEAST_GAIN = 0.01
"""A reading that follows the spot less than this does not follow it at all. [-]"""
FAILURES = (SpotStatus.DIM, SpotStatus.EDGE, SpotStatus.FAILED)
LEVER_PX = 0.2
"""Truths must spread at least this far (rms) along both axes for a gain to be found. [px]"""


class Score(NamedTuple):
    """How well frames were read; None where a figure does not exist."""

    frames: int
    failure_rate: float
    """Part of the frames that were not read, though each holds a spot. [-]"""
    dim_rate: float
    edge_rate: float
    failed_rate: float
    wrong_rate: float
    """Part of the frames that read OK but lie far from the truth. [-]"""
    bias_rms_px: float | None
    """Rms of the mean error of each position, its own noise taken off. [px]"""
    bias_x_px: float | None
    """Mean error along x, with its sign. [px]"""
    scatter_px: float | None
    """Standard deviation about each position's own mean. [px]"""
    rms_error_px: float | None
    """Bias and scatter together, as it comes. [px]"""
    gain: float | None
    """Move of the reading per move of the spot. [-]"""
    corrected_px: float | None
    """Error that is left once the straight line of reading against truth is calibrated out. [px]"""


def score(reading: SpotReading, truth_px: Array, groups: int, wrong_px: float) -> Score:
    """Score readings of spots whose places are known.

    Scatter alone flatters an estimator that always reads near the middle: it shrinks with the
    reading's gain. `corrected_px` divides it by that gain and adds the bias that no straight line
    takes out, so a shrunken reading gains nothing.

    Parameters
    ----------
    reading : SpotReading
        Of M frames.
    truth_px : (M, 2) ndarray
        Mean position of each spot over its exposure. [px]
    groups : int
        Frame m shows position ``m % groups``; frames of one position differ by noise alone.
    wrong_px : float
        Readings farther than this from the truth are wrong. [px]

    Returns
    -------
    Score

    Raises
    ------
    ValueError
        If the frames do not fall into whole groups.
    """
    n = len(truth_px)
    if groups < 1 or n % groups:
        raise ValueError(f"groups must divide the number of frames, {n}, got {groups}")
    ok = reading.status == SpotStatus.OK
    error = np.where(ok[:, None], reading.spot_px - truth_px, 0.0)
    wrong = ok & (np.hypot(*error.T) > wrong_px)
    dim, edge, failed = (float(np.mean(reading.status == s)) for s in FAILURES)
    lost, far = 1 - float(ok.mean()), float(wrong.mean())
    base = Score(n, lost, dim, edge, failed, far, None, None, None, None, None, None)
    count = ok.reshape(-1, groups).sum(axis=0)
    enough = count >= 2
    if not enough.any():
        return base
    about = error - np.tile(_by_group(error, ok, groups), (n // groups, 1))
    within, square, mean, place = (
        _by_group(v, ok, groups)[enough] for v in (about**2, error**2, error, truth_px)
    )
    count = count[enough]
    within *= count[:, None]
    variance = float(within.sum() / (2 * (count - 1).sum()))
    own = variance / count
    bias_2 = float(np.average((mean**2).mean(axis=1) - own, weights=count))
    gain, corrected = _calibrated(mean, place, count, variance)
    total = float(np.average(square.mean(axis=1), weights=count))
    return base._replace(
        bias_rms_px=float(np.sqrt(max(bias_2, 0.0))),
        bias_x_px=float(np.average(mean[:, 0], weights=count)),
        scatter_px=float(np.sqrt(variance)),
        rms_error_px=float(np.sqrt(total)),
        gain=gain,
        corrected_px=corrected,
    )


def _by_group(values: Array, ok: NDArray[np.bool_], groups: int) -> Array:
    """Mean (G, 2) over the good frames of each position."""
    count = np.maximum(ok.reshape(-1, groups).sum(axis=0), 1)[:, None]
    good = np.where(ok[:, None], values, 0.0)
    return good.reshape(-1, groups, 2).sum(axis=0) / count


def _calibrated(
    mean: Array, place: Array, count: NDArray[np.int64], variance: float
) -> tuple[float | None, float | None]:
    """Return (gain, error left after a straight line); None without a lever."""
    weight = count / count.sum()
    lever = place - weight @ place
    if len(place) < 4 or np.sqrt(weight @ lever**2).min() < LEVER_PX:
        return None, None
    excess = mean - weight @ mean
    gain = 1 + float((weight @ (lever * excess)).sum() / (weight @ lever**2).sum())
    own = variance * len(count) / count.sum()
    left = (weight @ (excess - (gain - 1) * lever) ** 2).mean() - own
    if gain < LEAST_GAIN:
        return gain, None
    return gain, float(np.sqrt(variance + max(left, 0.0)) / gain)


def wrong_beyond_px(bound_px: float) -> float:
    """Return the distance at which a reading counts as wrong: half a pixel, or five bounds. [px]"""
    return max(WRONG_PX, WRONG_BOUNDS * bound_px)
