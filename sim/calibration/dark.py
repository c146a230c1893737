"""Frames in the dark: black level, dark level of every pixel, noise, hot pixels."""

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.calibration.procedure import SENSORS, Cameras, Estimate, estimate, foreseen
from sim.calibration.settings import CalibrationParams
from sim.foundations.ports import Array

NAME: Final = "dark frames"
OUTLIER: Final = 6.0
"""A pixel this many robust standard deviations from the middle of all is bad."""
TO_DEVIATION: Final = 1.482602218505602
"""Median absolute deviation of a normal law to its standard deviation."""


class DarkFrames(NamedTuple):
    """What frames in the dark say of one sensor."""

    black_dn: float
    """Mean level of the good pixels, dark signal in it. [DN]"""
    level_dn: Array
    """(H, W) mean level of each pixel. [DN]"""
    variance_dn2: float
    """Temporal variance of the good pixels, quantisation in it. [DN^2]"""
    hot: NDArray[np.bool_]
    """(H, W) pixels that are not like the others."""


def dark_frames(cameras: Cameras, sensor: int, frames: int) -> DarkFrames:
    """Take frames in the dark and sum them up.

    The first frame's number is 0; others follow. A pixel is hot, or stuck, if its mean lies
    `OUTLIER` robust standard deviations from the median of all pixels.
    """
    mean, variance = mean_and_variance(cameras, sensor, 0.0, 0, frames)
    middle = np.median(mean)
    spread = TO_DEVIATION * np.median(np.abs(mean - middle))
    least = np.sqrt(max(float(np.median(variance)), 1 / 12) / frames)
    hot = np.abs(mean - middle) > OUTLIER * max(float(spread), least)
    good = ~hot
    return DarkFrames(
        float(mean[good].mean()), mean, float(variance[good].mean()), hot
    )


def mean_and_variance(
    cameras: Cameras, sensor: int, electrons: float, first: int, frames: int
) -> tuple[Array, Array]:
    """Return mean and temporal variance (H, W) of each pixel over a stack of frames. [DN], [DN^2]

    Sums of whole numbers, so no digit is lost.
    """
    total = np.zeros(cameras.layout.shape, np.int64)
    square = np.zeros_like(total)
    for k in range(frames):
        image = cameras.even_light(sensor, electrons, first + k)
        total += image
        square += image.astype(np.int64) ** 2
    mean = total / frames
    return mean, (square - total * mean) / (frames - 1)


def dark_estimates(
    cameras: Cameras, settings: CalibrationParams, found: tuple[DarkFrames, ...]
) -> list[Estimate]:
    """Return black level and count of hot pixels of each sensor, against the truth."""
    params, n = cameras.params, settings.dark_frames
    rows = []
    for sensor, each in zip(SENSORS, found, strict=True):
        good = ~each.hot
        deviation = np.sqrt(each.level_dn[good].var() / good.sum())
        truth = params.black_dn + params.gain_dn_per_e * params.dark_e
        name = "AB"[sensor]
        rows.append(
            estimate(NAME, f"black level, {name}", "DN", each.black_dn, deviation, truth)
        )
        # A pixel's level: temporal noise of the stack's mean, and its rounding.
        error = float(np.sqrt(each.variance_dn2 / n))
        _, dark, offset = cameras.pattern_of(sensor)
        level = params.gain_dn_per_e * (dark - params.dark_e + offset)
        actual = float((each.level_dn - each.black_dn - level)[good].std())
        what = f"dark level of a pixel, error, {name}"
        rows.append(foreseen(NAME, what, "DN rms", error, actual))
        hot = dark > params.dark_e + 0.5 * params.hot_e if params.hot_e else np.zeros(1, bool)
        rows.append(
            foreseen(NAME, f"hot pixels found, {name}", "", each.hot.sum(), hot.sum())
        )
    return rows
