"""After an alarm: which kind of fault explains the frames that followed it."""

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.foundations.ports import Array
from sim.foundations.ports.watch import FaultKind
from sim.health.likelihood import line_chance, line_share

CHANCE: Final = 1e-3
"""A line in the spectrum that chance gives more seldom is an oscillation."""
BESIDE: Final = 8
"""A line is held against so many on either side of it."""
MORE: Final = 1.5
"""Variance over the learnt one from which what is left is more than noise as it was."""
SLIGHTLY_MORE: Final = 1.3
"""The same, if the alarm is of scatter."""
INEXACT: Final = 0.05
"""Share of what was explained that may be left as an error of the model, not as noise."""
CERTAIN: Final = 8.0
"""Log-likelihood from which one explanation is preferred to another."""
OFF_GAIN: Final = 0.02
"""A gain that is off by less is none."""
ALIGNED: Final = 0.995
"""Squared cosine between a jump and the tilt from which it counts as a loss of gain."""


class FramesAfterAlarm(NamedTuple):
    """What is known of m mirrors over the N frames after their alarms."""

    residual_rad: Array
    """(N, m, 2) tilt that nothing expected explains. [rad]"""
    response_rad: Array
    """(N, m, 2) expected effect of the corrections. [rad]"""
    seen: NDArray[np.bool_]
    """(N, m) whether there was a reading."""
    tilt_rad: Array
    """(m, 2) expected tilt at the end, corrections included. [rad]"""
    variance_rad2: Array
    """(m, 2) of the residuals while they were learnt. [rad^2]"""
    stuck: Array
    """(m,) log-likelihood ratio of a mirror that does not follow, against one that does; 0 before
    it is known."""
    scatter_first: NDArray[np.bool_]
    """(m,) whether the alarm is of scatter more than of anything else."""
    line_first: NDArray[np.bool_]
    """(m,) whether it is of a line."""


class Explanation(NamedTuple):
    """One explanation of the residuals by least squares."""

    left_rad: Array
    """(N, m, 2) what it leaves. [rad]"""
    gained: Array
    """(m,) how much it explains beyond a constant, in units of twice the log-likelihood."""
    slope: Array
    """(m,) or (m, 2) of the residuals on what explains them."""


def diagnose(frames: FramesAfterAlarm) -> tuple[NDArray[np.uint8], Array]:
    """Return the FaultKind (m,) of each mirror, and its gain where one was found (m,).

    In this order: *lost* if half of the frames have no reading; *oscillating* or *noisy* if the
    best of three explanations (constant, gain, steady drift) leaves more variance than was learnt,
    with a line in it or without; *stuck* if readings say that corrections do nothing; *weak* if
    residuals go with the corrections, or stand in proportion to the tilt; else *drifting*.
    """
    n, m = frames.seen.shape
    seen = frames.seen[..., None]
    count = np.maximum(frames.seen.sum(axis=0), 1)
    constant = _fit(frames.residual_rad, np.zeros_like(frames.residual_rad), seen, frames)
    gain = _fit(frames.residual_rad, frames.response_rad, seen, frames, together=True)
    time = np.broadcast_to(np.arange(n, dtype=float)[:, None, None], frames.residual_rad.shape)
    drift = _fit(frames.residual_rad, time, seen, frames)
    by_gain = gain.gained >= drift.gained
    left = np.where(by_gain[:, None], gain.left_rad, drift.left_rad)
    variance = (left**2).sum(axis=0) / np.maximum(count - 2, 1)[:, None]
    explained = (constant.left_rad**2).sum(axis=0) / count[:, None]
    allowed = frames.variance_rad2 + INEXACT**2 * explained
    ratio = (variance / allowed).mean(axis=-1)
    more = ratio > np.where(frames.scatter_first, SLIGHTLY_MORE, MORE)
    share, lines = line_share(left, BESIDE)
    chance = [2.0 * line_chance(float(each), lines) for each in share.max(axis=-1)]
    lined = np.array(chance) < CHANCE

    off = gain.slope
    jump = constant.slope
    square = (frames.tilt_rad**2).sum(axis=-1)
    along = (jump * frames.tilt_rad).sum(axis=-1)
    size = (jump**2).sum(axis=-1)
    aligned = along**2 > ALIGNED * np.maximum(size * square, 1e-300)
    large = size * count > 2.0 * CERTAIN * frames.variance_rad2.sum(axis=-1)
    moved = gain.gained > 2.0 * CERTAIN
    proportion = ~moved & aligned & large & (drift.gained < 2.0 * CERTAIN)
    weak = (by_gain & moved & (np.abs(off) > OFF_GAIN)) | proportion
    found_gain = np.where(proportion, 1.0 + along / np.maximum(square, 1e-300), 1.0 + off)

    stuck = (frames.stuck > CERTAIN) & ((np.abs(found_gain) < 0.5) | ~weak)
    kind = np.select(
        [
            frames.seen.sum(axis=0) < 0.5 * n,
            frames.line_first | (more & lined),
            more,
            stuck,
            weak,
        ],
        [FaultKind.LOST, FaultKind.OSCILLATING, FaultKind.NOISY, FaultKind.STUCK, FaultKind.WEAK],
        FaultKind.DRIFTING,
    ).astype(np.uint8)
    return kind, np.where(kind == FaultKind.WEAK, found_gain, np.nan)


def _fit(
    residual: Array, by: Array, seen: NDArray[np.bool_], frames: FramesAfterAlarm, *,
    together: bool = False,
) -> Explanation:  # fmt: skip
    """Fit a constant and a slope on `by` to each axis; one slope for both if `together`."""
    count = np.maximum(seen.sum(axis=0), 1)

    def centred(values: Array) -> Array:
        mean = np.where(seen, values, 0.0).sum(axis=0) / count
        return np.where(seen, values - mean, 0.0)

    r, x = centred(residual), centred(by)
    weight = 1.0 / frames.variance_rad2
    xx, xr = ((x * x).sum(axis=0) * weight, (x * r).sum(axis=0) * weight)
    if together:
        xx, xr = xx.sum(axis=-1, keepdims=True), xr.sum(axis=-1, keepdims=True)
    safe = np.where(xx > 0, xx, 1.0)
    slope = np.where(xx > 0, xr / safe, 0.0)
    gained = np.where(xx > 0, xr * xr / safe, 0.0).sum(axis=-1)
    if not by.any():
        slope = np.where(seen, residual, 0.0).sum(axis=0) / count
        return Explanation(r, np.zeros(len(slope)), slope)
    return Explanation(r - slope * x, gained, slope[..., 0] if together else slope)
