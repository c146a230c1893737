"""How well a spot can be placed at all."""

import numpy as np
from numpy.typing import ArrayLike

from sim.estimators.spot_model import axis_profile, axis_slope
from sim.foundations.ports import Array


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
       memory, not checked against the paper; tests check it against closed forms instead).
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
