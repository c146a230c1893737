"""How well a spot can be placed at all, and the known scatter and bias of simple estimators."""

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr, spence

from sim.estimators.spot_model import axis_profile, axis_slope
from sim.foundations.ports import Array

PIXEL_VARIANCE_PX2 = 1 / 12
"""What a square pixel adds to the variance of a spot. [px^2]"""


def position_bound_px(
    signal_e: ArrayLike,
    sigma_px: float,
    background_e: float,
    read_noise_e: float,
    window: tuple[int, int],
    position: ArrayLike,
    *,
    free_light: bool = False,
) -> Array:
    """Cramer-Rao bound of the position of a pixel-integrated Gaussian spot.

    No unbiased estimator scatters less. A biased one may: a window so small that it cuts the
    spot shrinks the reading and its scatter together. Read noise enters as variance beside the
    shot noise; at 5 e that is within 0.2 % of the exact mixture. Rounding to digital numbers is
    not included: add a twelfth of the squared electrons per digital number to the square of
    `read_noise_e`.

    Parameters
    ----------
    signal_e : float or (M,) array_like
        Light of the whole spot. [e]
    sigma_px : float
        Standard deviation of the spot before the pixels. [px]
    background_e : float
        Mean background of a pixel. [e]
    read_noise_e : float
        Read noise of a pixel, rms. [e]
    window : (int, int)
        Window (H, W). [px]
    position : (2,) or (M, 2) array_like
        Spot centre (x, y). [px]
    free_light : bool
        Whether light and background are unknown too.

    Returns
    -------
    (M, 2) ndarray
        Least standard deviation along x and y. [px]

    Raises
    ------
    ValueError
        If a width or a light level is not positive, or `position` is not (2,) or (M, 2).

    References
    ----------
    .. [1] K. A. Winick, J. Opt. Soc. Am. A 3 (1986) 1809: the bound as a sum over pixels (from
       memory, not checked against the paper; checked against the formulas below instead).
    """
    positions = np.atleast_2d(np.asarray(position, dtype=np.float64))
    signal = np.atleast_1d(np.asarray(signal_e, dtype=np.float64))
    if positions.ndim != 2 or positions.shape[1] != 2:
        raise ValueError(f"position must be (2,) or (M, 2), got shape {positions.shape}")
    if not sigma_px > 0:
        raise ValueError(f"sigma_px must be positive, got {sigma_px}")
    if not np.all(signal > 0):
        raise ValueError(f"signal_e must be positive, got {signal_e!r}")
    if background_e < 0 or read_noise_e < 0:
        raise ValueError(
            "background_e and read_noise_e must not be negative, "
            f"got {background_e} and {read_noise_e}"
        )
    height, width = window
    column, row = positions.T
    gx, gy = axis_profile(column, sigma_px, width), axis_profile(row, sigma_px, height)
    hx, hy = axis_slope(column, sigma_px, width), axis_slope(row, sigma_px, height)
    light = signal[:, None, None]
    shape = gy[:, :, None] * gx[:, None, :]
    by = [light * gy[:, :, None] * hx[:, None, :], light * hy[:, :, None] * gx[:, None, :]]
    if free_light:
        by += [shape, np.ones_like(shape)]
    variance = light * shape + background_e + read_noise_e**2
    slopes = np.stack(np.broadcast_arrays(*by), axis=1)
    weight = np.where(variance > 0, 1 / np.where(variance > 0, variance, 1.0), 0.0)
    fisher = np.einsum("mihw,mjhw->mij", slopes * weight[:, None], slopes)
    return np.sqrt(np.einsum("mii->mi", np.linalg.inv(fisher))[:, :2])


def mortensen_likelihood_px(signal_e: float, sigma_px: float, variance_e2: float) -> float:
    """Scatter of the maximum-likelihood fit, by Mortensen's integral. [px]

    For a window that holds the whole spot. `variance_e2` is the background's variance per
    pixel: mean background plus squared read noise.

    Notes
    -----
    The integral of ``ln t / (1 + t / tau)`` from 0 to 1 is ``tau Li2(-1 / tau)``.

    References
    ----------
    .. [1] K. I. Mortensen et al., Nat. Methods 7 (2010) 377 (formula from memory; agrees with the
       sum over pixels of `position_bound_px`).
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


def window_gain(half_width_sigma: float) -> float:
    """Reading per true offset of the centre of gravity of a cut window, near its middle. [-]

    The mean of a Gaussian cut at plus and minus `half_width_sigma` moves by this part of the
    Gaussian's own move.
    """
    inside = 2 * ndtr(half_width_sigma) - 1
    density = np.exp(-0.5 * half_width_sigma**2) / np.sqrt(2 * np.pi)
    return float(1 - 2 * half_width_sigma * density / inside)


def background_gain(signal_e: float, background_e: float, window: tuple[int, int]) -> float:
    """Reading per true offset of the centre of gravity with background left in. [-]"""
    return signal_e / (signal_e + window[0] * window[1] * background_e)


def pixel_phase_error_px(position_px: ArrayLike, sigma_px: float, *, terms: int = 20) -> Array:
    """Error of the noise-free centre of gravity within a pixel, towards the pixel's centre. [px]

    For a window that holds the whole spot: the Fourier series of the sampled first moment. The
    largest error is near ``exp(-2 pi^2 s^2) / pi``: nothing above s = 0.8.
    """
    position = np.asarray(position_px, dtype=np.float64)[..., None]
    m = np.arange(1, terms + 1)
    size = (-1.0) ** m / (np.pi * m) * np.exp(-2 * np.pi**2 * sigma_px**2 * m**2)
    return (size * np.sin(2 * np.pi * m * position)).sum(axis=-1)
