"""Known scatter and bias of spots and simple estimators in closed form."""

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import spence

PIXEL_VARIANCE_PX2 = 1 / 12
"""What a square pixel adds to the variance of a spot. [px^2]"""


def mortensen_likelihood_px(signal_e: float, sigma_px: float, variance_e2: float) -> float:
    """Scatter of the maximum-likelihood fit, by Mortensen's integral. [px]

    For a window that holds the whole spot. `variance_e2` is the background's variance per
    pixel: mean background plus squared read noise.

    Notes
    -----
    The integral of ``ln t / (1 + t / tau)`` from 0 to 1 is ``tau Li2(-1 / tau)``.

    References
    ----------
    .. [1] K. I. Mortensen et al., Nat. Methods 7 (2010) 377 (formula from memory; agrees with a
       sum over pixels).
    """
    spread_px2 = sigma_px**2 + PIXEL_VARIANCE_PX2
    tau = 2 * np.pi * spread_px2 * variance_e2 / signal_e
    integral = tau * spence(1 + 1 / tau) if tau > 0 else 0.0
    return float(np.sqrt(spread_px2 / signal_e / (1 + integral)))


def mortensen_least_squares_px(signal_e: float, sigma_px: float, variance_e2: float) -> float:
    """Scatter of the unweighted least-squares fit. [px]

    References
    ----------
    .. [1] K. I. Mortensen et al., Nat. Methods 7 (2010) 377 (formula from memory).
    """
    spread_px2 = sigma_px**2 + PIXEL_VARIANCE_PX2
    factor = 16 / 9 + 8 * np.pi * spread_px2 * variance_e2 / signal_e
    return float(np.sqrt(spread_px2 / signal_e * factor))


def rieger_stallinga_px(signal_e: float, sigma_px: float, variance_e2: float) -> float:
    """Closed approximation of `mortensen_likelihood_px`, up to 2 % high. [px]

    References
    ----------
    .. [1] B. Rieger and S. Stallinga, ChemPhysChem 15 (2014) 664 (formula from memory).
    """
    spread_px2 = sigma_px**2 + PIXEL_VARIANCE_PX2
    tau = 2 * np.pi * spread_px2 * variance_e2 / signal_e
    factor = 1 + 4 * tau + np.sqrt(2 * tau / (1 + 4 * tau))
    return float(np.sqrt(spread_px2 / signal_e * factor))


def thompson_px(signal_e: float, sigma_px: float, variance_e2: float) -> float:
    """Scatter by Thompson, Larson and Webb. [px]

    Lies below the bound by 4 to 11 % where background counts: no floor to measure against. Its
    first term is the scatter of the centre of gravity when shot noise is all there is.

    References
    ----------
    .. [1] R. E. Thompson, D. R. Larson, W. W. Webb, Biophys. J. 82 (2002) 2775 (second term from
       memory).
    """
    first = (sigma_px**2 + PIXEL_VARIANCE_PX2) / signal_e
    return float(np.sqrt(first + 8 * np.pi * sigma_px**4 * variance_e2 / signal_e**2))


def centroid_px(signal_e: float, sigma_px: float, variance_e2: float, side_px: int) -> float:
    """Scatter of the centre of gravity of a square window, background taken off its mean. [px]

    To first order in the noise; with little light the noisy sum in the denominator adds more.
    """
    lever_px2 = side_px**2 * (side_px**2 - 1) / 12
    shot = (sigma_px**2 + PIXEL_VARIANCE_PX2) / signal_e
    return float(np.sqrt(shot + variance_e2 * lever_px2 / signal_e**2))


def background_gain(signal_e: float, background_e: float, window: tuple[int, int]) -> float:
    """Reading per true offset of the centre of gravity with background left in. [-]"""
    return signal_e / (signal_e + window[0] * window[1] * background_e)


def pixel_phase_error_px(position_px: ArrayLike, sigma_px: float, *, terms: int = 20) -> np.ndarray:
    """Error of the noise-free centre of gravity within a pixel, towards the pixel's centre. [px]

    For a window that holds the whole spot: the Fourier series of the sampled first moment. The
    largest error is near ``exp(-2 pi^2 s^2) / pi``: nothing above s = 0.8.
    """
    position = np.asarray(position_px, dtype=np.float64)[..., None]
    m = np.arange(1, terms + 1)
    size = (-1.0) ** m / (np.pi * m) * np.exp(-2 * np.pi**2 * sigma_px**2 * m**2)
    return (size * np.sin(2 * np.pi * m * position)).sum(axis=-1)
