"""Nonlinear least squares for many mirrors at a time, with intervals for coloured noise."""

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.foundations.ports import Array

Flags = NDArray[np.bool_]
Rows = NDArray[np.intp]
Model = Callable[[Array, Rows], tuple[Array, Array]]
"""Parameters (b, P), and which b of the B data sets they are of, to (residuals (b, N), derivatives
of the model (b, N, P))."""
LAGS = 40
"""Lags over which residuals may be correlated."""


class LeastSquaresFit(NamedTuple):
    """Where B fits ended."""

    parameters: Array
    """(B, P)"""
    covariance: Array
    """(B, P, P)"""
    residuals: Array
    """(B, N)"""
    squares: Array
    """(B,) sum of squared residuals."""
    converged: Flags
    """(B,) bool."""


def fit(
    model: Model, start: Array, used: Flags, *, steps: int = 60, largest: Array | None = None,
    which: Rows | None = None,
) -> LeastSquaresFit:  # fmt: skip
    """Return the least-squares parameters of B independent data sets.

    Gauss-Newton steps, damped where they do not lower the sum of squares (Levenberg and Marquardt).
    Data sets that have settled are left out of further steps.

    Parameters
    ----------
    model : callable
        Residuals are data minus model, already weighted.
    start : (B, P) ndarray
        First guess.
    used : (B, N) ndarray of bool
        Which residuals count; the others are left out.
    steps : int
        At the most.
    largest : (P,) ndarray, optional
        Bound on the change of each parameter in one step.
    which : (B,) ndarray of int, optional
        Data sets that the rows of `start` and `used` are of; all if left out.

    References
    ----------
    .. [1] D. W. Marquardt, J. SIAM 11 (1963) 431.
    """
    at = np.array(start, dtype=float)
    rows = np.arange(len(at)) if which is None else which
    residuals, slopes = _left(model(at, rows), used)
    squares = (residuals**2).sum(axis=1)
    damping = np.full(len(at), 1e-3)
    converged = np.zeros(len(at), bool)
    for _ in range(steps):
        on = np.flatnonzero(~converged)
        gradient = (slopes[on].transpose(0, 2, 1) @ residuals[on, :, None])[..., 0]
        curvature = slopes[on].transpose(0, 2, 1) @ slopes[on]
        scale = np.einsum("bpp->bp", curvature).copy()
        scale[scale == 0] = 1.0
        damped = curvature + damping[on, None, None] * scale[:, :, None] * np.eye(at.shape[1])
        step = np.linalg.solve(damped, gradient[..., None])[..., 0]
        if largest is not None:
            step = np.clip(step, -largest, largest)
        new_residuals, new_slopes = _left(model(at[on] + step, rows[on]), used[on])
        new_squares = (new_residuals**2).sum(axis=1)
        better = new_squares <= squares[on]
        small = np.abs(gradient * step).sum(axis=1) <= 1e-10 * squares[on]
        kept = on[better]
        at[kept] += step[better]
        residuals[kept], slopes[kept] = new_residuals[better], new_slopes[better]
        squares[kept] = new_squares[better]
        damping[on] = np.clip(np.where(better, damping[on] / 5.0, damping[on] * 8.0), 1e-12, 1e12)
        converged[on] = small
        if converged.all():
            break
    covariance = parameter_covariance(residuals, slopes, used)
    return LeastSquaresFit(at, covariance, residuals, squares, converged)


def _left(found: tuple[Array, Array], used: Flags) -> tuple[Array, Array]:
    residuals, slopes = found
    return np.where(used, residuals, 0.0), np.where(used[..., None], slopes, 0.0)


def parameter_covariance(residuals: Array, slopes: Array, used: Flags) -> Array:
    """Return the covariance (B, P, P) of least-squares parameters.

    The inverse of the Fisher information takes residuals for white. Where neighbours are
    correlated, the products of slope and residual are, and their covariance over `LAGS` lags takes
    the place of the information (Bartlett's weights).

    References
    ----------
    .. [1] W. K. Newey and K. D. West, Econometrica 55 (1987) 703.
    """
    n = used.sum(axis=1)
    freedom = np.maximum(n - slopes.shape[2], 1)
    inverse = np.linalg.pinv(slopes.transpose(0, 2, 1) @ slopes)
    scores = slopes * residuals[..., None]
    middle = scores.transpose(0, 2, 1) @ scores
    for lag in range(1, min(LAGS, slopes.shape[1] - 1) + 1):
        apart = scores[:, lag:].transpose(0, 2, 1) @ scores[:, :-lag]
        middle += (1.0 - lag / (LAGS + 1.0)) * (apart + apart.transpose(0, 2, 1))
    robust = inverse @ middle @ inverse * (n / freedom)[:, None, None]
    white = inverse * ((residuals**2).sum(axis=1) / freedom)[:, None, None]
    # Few lags of much data can come out below the white value by chance alone: take the wider.
    wider = np.einsum("bpp->bp", robust) > np.einsum("bpp->bp", white)
    scale = np.sqrt(
        np.where(wider, np.einsum("bpp->bp", robust) / np.einsum("bpp->bp", white), 1.0)
    )
    return white * scale[:, :, None] * scale[:, None, :]
