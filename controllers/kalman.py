"""Steady Kalman filter and steady regulator of a discrete-time linear model."""

from typing import NamedTuple

import numpy as np
import scipy

from sim.foundations.ports import Array


class SteadyKalman(NamedTuple):
    """The filter that a constant model settles to."""

    gain: Array
    """(n, p) filter gain: x[k|k] = x[k|k-1] + gain (y[k] - C x[k|k-1])."""
    predicted: Array
    """(n, n) error covariance of x[k|k-1], before the measurement."""
    filtered: Array
    """(n, n) error covariance of x[k|k], after the measurement."""


def steady_kalman(A: Array, C: Array, Q: Array, R: Array) -> SteadyKalman:
    """Return the steady filter of x[k+1] = A x[k] + w, y[k] = C x[k] + v.

    Parameters
    ----------
    A, C : (n, n) and (p, n) ndarray
        Transition and output.
    Q, R : (n, n) and (p, p) ndarray
        Covariance of w and of v, white and independent of each other.

    Returns
    -------
    SteadyKalman
        Filter gain (not the predictor's gain A K) and both covariances.

    References
    ----------
    .. [1] K. J. Astrom and B. Wittenmark, Computer-Controlled Systems, 3rd ed., 1997, the section
       on the Kalman filter. From memory; the tests hold it to closed forms.
    """
    predicted = np.asarray(scipy.linalg.solve_discrete_are(A.T, C.T, Q, R))
    innovation = C @ predicted @ C.T + R
    gain = np.linalg.solve(innovation, C @ predicted).T
    filtered = predicted - gain @ C @ predicted
    return SteadyKalman(gain, predicted, filtered)


def steady_regulator(A: Array, B: Array, Q: Array, R: Array) -> tuple[Array, Array]:
    """Return (gain (m, n), cost matrix (n, n)) of u = -gain x, least sum of x'Q x + u'R u."""
    cost = np.asarray(scipy.linalg.solve_discrete_are(A, B, Q, R))
    gain = np.linalg.solve(R + B.T @ cost @ B, B.T @ cost @ A)
    return gain, cost
