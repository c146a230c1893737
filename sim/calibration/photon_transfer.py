"""Photon transfer: system gain and dark noise from pairs of frames at rising light.

Photons are Poisson, so that the variance of a signal in electrons is its mean; in digital numbers
the slope of variance over mean is the system gain K. The difference of two frames has twice the
temporal variance, and none of the fixed pattern.
"""

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.calibration.procedure import SENSORS, Cameras, Estimate, estimate, saturation_e
from sim.calibration.settings import CalibrationParams
from sim.foundations.ports import Array

NAME: Final = "photon transfer"
FIRST: Final = 200_000
TOP: Final = 0.95
"""Highest light, against saturation."""
USED: Final = 0.7
"""Part of the way to saturation that the slope is fitted over."""
ROUNDING: Final = 1.0 / 12.0
"""Variance of rounding to whole digital numbers. [DN^2]"""


class Transfer(NamedTuple):
    """What pairs of frames of one sensor say."""

    mean_dn: Array
    """(L,) [DN]"""
    variance_dn2: Array
    """(L,) temporal variance, rounding in it. [DN^2]"""
    pixels: int
    used: NDArray[np.bool_]
    """(L,) levels that the slope is fitted to."""
    gain_dn_per_e: float
    gain_deviation: float
    dark_noise_e: float
    """Temporal noise in the dark, without rounding; shot noise of the dark signal in it. [e-]"""
    dark_noise_deviation: float


def pair_statistics(first: NDArray[np.int32], second: NDArray[np.int32]) -> tuple[float, float]:
    """Return mean [DN] and temporal variance [DN^2] of two frames of the same light.

    The mean of the difference is taken out: light that changed from frame to frame would count as
    noise.
    """
    difference = first.astype(np.int64) - second
    mean = 0.5 * (float(first.mean()) + float(second.mean()))
    return mean, 0.5 * float(difference.var(ddof=1))


def fit_transfer(mean_dn: Array, variance_dn2: Array, pixels: int, saturated_dn: float) -> Transfer:
    """Fit gain and dark noise to pairs of frames; the first of them is in the dark.

    Parameters
    ----------
    mean_dn, variance_dn2 : (L,) ndarray
        From `pair_statistics`. [DN], [DN^2]
    pixels : int
        Of each frame.
    saturated_dn : float
        Mean at which pixels saturate. [DN]

    Returns
    -------
    Transfer

    References
    ----------
    .. [1] EMVA Standard 1288, Release 4.0 Linear: variance over mean, both less those of the dark,
       by a line through the origin, to 70 % of saturation; dark noise less that of quantisation.

    Notes
    -----
    The sample variance of N independent pixels has the variance 2 sigma^4 / N; the deviations of
    the results follow from it, that of the dark frames common to all levels included.
    """
    x = mean_dn - mean_dn[0]
    used = (x > 0) & (x <= USED * (saturated_dn - mean_dn[0]))
    if used.sum() < 2:
        raise ValueError(f"levels must leave two in the linear part, got {int(used.sum())}")
    weight = np.where(used, x, 0.0) / (x[used] @ x[used])
    gain = float(weight @ (variance_dn2 - variance_dn2[0]))
    scatter = 2.0 * variance_dn2**2 / pixels
    # Linear in the variances: derivatives of the gain, those of the dark frames among them.
    by_variance = weight.copy()
    by_variance[0] -= weight.sum()
    gain_deviation = float(np.sqrt(by_variance**2 @ scatter))
    dark_dn2 = max(float(variance_dn2[0]) - ROUNDING, 0.0)
    noise_e = float(np.sqrt(dark_dn2)) / gain
    # sigma_d = sqrt(v0 - 1/12) / K, K among the v: derivatives by all variances.
    by_noise = -noise_e / gain * by_variance
    if dark_dn2 > 0:
        by_noise[0] += 0.5 / np.sqrt(dark_dn2) / gain
    noise_deviation = float(np.sqrt(by_noise**2 @ scatter))
    return Transfer(
        mean_dn, variance_dn2, pixels, used, gain, gain_deviation, noise_e, noise_deviation
    )


def photon_transfer(
    cameras: Cameras, sensor: int, settings: CalibrationParams, bad: NDArray[np.bool_]
) -> Transfer:
    """Take a pair of frames at each level, and fit; bad pixels are left out."""
    full_e = saturation_e(cameras.params)
    levels = np.linspace(0.0, TOP * full_e, settings.levels)
    good = ~bad
    found = []
    for i, light_e in enumerate(levels):
        first, second = (
            cameras.even_light(sensor, float(light_e), FIRST + 2 * i + k)[good] for k in (0, 1)
        )
        found.append(pair_statistics(first, second))
    mean, variance = np.array(found).T
    saturated = mean[0] + full_e * np.polyfit(levels[:4], mean[:4], 1)[0]
    return fit_transfer(mean, variance, int(good.sum()), float(saturated))


def transfer_estimates(cameras: Cameras, found: tuple[Transfer, ...]) -> list[Estimate]:
    """Return gain and dark noise of each sensor, against the truth."""
    params = cameras.params
    noise_e = float(np.sqrt(params.read_noise_e**2 + params.dark_e))
    rows = []
    for sensor, each in zip(SENSORS, found, strict=True):
        name = "AB"[sensor]
        rows += [
            estimate(NAME, f"system gain, {name}", "DN/e-", each.gain_dn_per_e,
                     each.gain_deviation, params.gain_dn_per_e),
            estimate(NAME, f"dark noise, {name}", "e- rms", each.dark_noise_e,
                     each.dark_noise_deviation, noise_e),
        ]  # fmt: skip
    return rows
