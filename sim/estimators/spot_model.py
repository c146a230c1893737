"""The picture of a spot: a round Gaussian, integrated over square pixels of 100 % fill."""

import numpy as np
import scipy
from numpy.typing import ArrayLike

from sim.foundations.ports import Array

SQRT_2 = np.sqrt(2.0)
SQRT_2_PI = np.sqrt(2.0 * np.pi)


def axis_profile(centres_px: ArrayLike, sigma_px: ArrayLike, n_px: int) -> Array:
    """Return the share of the light that falls into each column (or row) of pixels.

    Parameters
    ----------
    centres_px : (M,) array_like
        Centre of each spot along this axis, from the centre of pixel 0. [px]
    sigma_px : float or (M,) array_like
        Standard deviation of the spot before the pixels. [px]
    n_px : int
        Pixels along this axis.

    Returns
    -------
    (M, n_px) ndarray
        Difference of error functions at the pixel's two sides. The sum over the pixels is
        below 1 by the light that misses the window. [-]
    """
    return np.diff(0.5 * scipy.special.erf(_edges(centres_px, sigma_px, n_px) / SQRT_2), axis=-1)


def axis_slope(centres_px: ArrayLike, sigma_px: ArrayLike, n_px: int) -> Array:
    """Return the derivative of `axis_profile` by the centre, (M, n_px). [1/px]"""
    edges = _edges(centres_px, sigma_px, n_px)
    density = np.exp(-0.5 * edges**2) / SQRT_2_PI
    return -np.diff(density, axis=-1) / _column(sigma_px)


def pixel_integrated(positions_px: ArrayLike, sigma_px: ArrayLike, shape: tuple[int, int]) -> Array:
    """Return pictures of spots of unit light.

    Misleads where the real spot is not a round Gaussian or where pixels have gaps or leak into
    their neighbours. A spot that moves during the exposure is wider than this along its path.

    Parameters
    ----------
    positions_px : (M, 2) array_like
        Spot centres (x, y), from the centre of pixel [0, 0]. [px]
    sigma_px : float or (M,) array_like
        Standard deviation of the spot before the pixels. [px]
    shape : (int, int)
        Window (H, W). [px]

    Returns
    -------
    (M, H, W) ndarray
        Share of the light in each pixel. [-]

    Raises
    ------
    ValueError
        If `positions_px` is not (M, 2) or `sigma_px` is not positive.

    References
    ----------
    .. [1] K. I. Mortensen et al., Nat. Methods 7 (2010) 377: the pixel widens the spot's variance
       by a twelfth of the pixel's side squared.
    """
    positions = np.asarray(positions_px, dtype=np.float64)
    if positions.ndim != 2 or positions.shape[1] != 2:
        raise ValueError(f"positions_px must be (M, 2), got shape {positions.shape}")
    if not np.all(np.asarray(sigma_px) > 0):
        raise ValueError(f"sigma_px must be positive, got {sigma_px!r}")
    height, width = shape
    columns = axis_profile(positions[:, 0], sigma_px, width)
    rows = axis_profile(positions[:, 1], sigma_px, height)
    return rows[:, :, None] * columns[:, None, :]


def _column(sigma_px: ArrayLike) -> Array:
    """Return sigma as (M, 1) or (1, 1), to stand beside (M, n)."""
    return np.atleast_1d(np.asarray(sigma_px, dtype=np.float64))[:, None]


def _edges(centres_px: ArrayLike, sigma_px: ArrayLike, n_px: int) -> Array:
    """Return the (M, n_px + 1) sides of the pixels, from the centre, in units of sigma."""
    centres = np.atleast_1d(np.asarray(centres_px, dtype=np.float64))
    return (np.arange(n_px + 1) - 0.5 - centres[:, None]) / _column(sigma_px)
