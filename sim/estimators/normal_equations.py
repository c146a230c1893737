"""Normal equations of the spot fits for the whole fleet, by products of functions of x and of y.

The model of a pixel is ``light * gx(x) * gy(y) + background``. With the three functions
(profile, slope of the profile, one) along each axis, the derivative by parameter k of (x, y, light,
background) is a scale times one function of x times one of y. All sums over pixels are then small
matrix products.
"""

from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from sim.estimators.spot_model import axis_profile, axis_slope
from sim.foundations.ports import Array

SMALLEST_VARIANCE_E2 = 0.25
"""Floor of a pixel's believed variance, so that no weight grows without bound. [e^2]"""
RIDGE = 1e-12
"""Added to the normal matrix, scaled to a unit diagonal: a singular one then solves. [-]"""

PROFILE, SLOPE, ONE = 0, 1, 2
ALONG_X = np.array([SLOPE, PROFILE, PROFILE, ONE])
ALONG_Y = np.array([PROFILE, SLOPE, PROFILE, ONE])
FIRST, SECOND = np.array([0, 0, 0, 1, 1, 2]), np.array([0, 1, 2, 1, 2, 2])
"""The six different products of two of the three functions."""
PAIR = np.array([[0, 1, 2], [1, 3, 4], [2, 4, 5]])
"""Where the product of two functions stands among those six."""


class Equations(Protocol):
    """Returns the normal matrix (M, 4, 4) and the right-hand side (M, 4) of one step."""

    def __call__(
        self, charge_e: Array, values: Array, sigma_px: float, noise_e2: float
    ) -> tuple[Array, Array]:
        """Return (matrix, right-hand side) at the present values (M, 4)."""
        ...


def least_squares(
    charge_e: Array, values: Array, sigma_px: float, noise_e2: float
) -> tuple[Array, Array]:
    """Return the Gauss-Newton equations of the unweighted fit.

    Parameters
    ----------
    charge_e : (M, H, W) ndarray
        Frames less black level. [e]
    values : (M, 4) ndarray
        Present x, y [px], light [e], background [e/px].
    sigma_px : float
        Believed width of the spot. [px]
    noise_e2 : float
        Not used.

    Returns
    -------
    (M, 4, 4) and (M, 4) ndarray
        ``J^T J`` and ``J^T residual``.
    """
    along_x, along_y = _functions(values, sigma_px, charge_e.shape[1:])
    scale = _scale(values)
    gram_x = along_x @ along_x.swapaxes(1, 2)
    gram_y = along_y @ along_y.swapaxes(1, 2)
    plain = gram_x[:, ALONG_X[:, None], ALONG_X] * gram_y[:, ALONG_Y[:, None], ALONG_Y]
    data = (along_y @ (charge_e @ along_x.swapaxes(1, 2)))[:, ALONG_Y, ALONG_X]
    model = values[:, 2:3] * plain[:, :, 2] + values[:, 3:4] * plain[:, :, 3]
    return plain * scale[:, :, None] * scale[:, None, :], scale * (data - model)


def likelihood(
    charge_e: Array, values: Array, sigma_px: float, noise_e2: float
) -> tuple[Array, Array]:
    """Return the Fisher-scoring equations of the Poisson model shifted by the read noise.

    Parameters
    ----------
    charge_e : (M, H, W) ndarray
        Frames less black level. [e]
    values : (M, 4) ndarray
        Present x, y [px], light [e], background [e/px].
    sigma_px : float
        Believed width of the spot. [px]
    noise_e2 : float
        Variance per pixel on top of the shot noise. [e^2]

    Returns
    -------
    (M, 4, 4) and (M, 4) ndarray
        Expected information and score.
    """
    along_x, along_y = _functions(values, sigma_px, charge_e.shape[1:])
    scale = _scale(values)
    bright_x = values[:, 2:3] * along_x[:, PROFILE]
    variance = along_y[:, PROFILE, :, None] * bright_x[:, None, :]
    variance += values[:, 3, None, None] + noise_e2
    np.maximum(variance, SMALLEST_VARIANCE_E2, out=variance)
    excess = (charge_e + noise_e2) / variance - 1.0
    pairs_x = along_x[:, FIRST] * along_x[:, SECOND]
    pairs_y = along_y[:, FIRST] * along_y[:, SECOND]
    sums = pairs_y @ ((1.0 / variance) @ pairs_x.swapaxes(1, 2))
    plain = sums[:, PAIR[ALONG_Y[:, None], ALONG_Y], PAIR[ALONG_X[:, None], ALONG_X]]
    score = (along_y @ (excess @ along_x.swapaxes(1, 2)))[:, ALONG_Y, ALONG_X]
    return plain * scale[:, :, None] * scale[:, None, :], scale * score


def solved(matrix: Array, right: Array) -> Array:
    """Return the solution (M, 4), with the matrix scaled to a unit diagonal; never raises."""
    diagonal = np.sqrt(np.einsum("mkk->mk", matrix))
    diagonal = np.where(diagonal > 0, diagonal, 1.0)
    unit = matrix / (diagonal[:, :, None] * diagonal[:, None, :]) + RIDGE * np.eye(4)
    unit = np.where(np.isfinite(unit).all(axis=(1, 2))[:, None, None], unit, np.eye(4))
    return np.linalg.solve(unit, (right / diagonal)[:, :, None])[:, :, 0] / diagonal


def _functions(values: Array, sigma_px: float, shape: tuple[int, ...]) -> tuple[Array, Array]:
    """Return (profile, slope, one) along x, (M, 3, W), and along y, (M, 3, H)."""
    height, width = shape
    return _axis(values[:, 0], sigma_px, width), _axis(values[:, 1], sigma_px, height)


def _axis(centres_px: Array, sigma_px: float, n_px: int) -> Array:
    profile = axis_profile(centres_px, sigma_px, n_px)
    return np.stack(
        [profile, axis_slope(centres_px, sigma_px, n_px), np.ones_like(profile)], axis=1
    )


def _scale(values: Array) -> NDArray[np.float64]:
    """Return what the products of functions are times to be the derivatives, (M, 4)."""
    ones = np.ones(len(values))
    return np.stack([values[:, 2], values[:, 2], ones, ones], axis=-1)
