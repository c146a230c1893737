"""Loss statistics of a jittering beam, without drawing it."""

from functools import lru_cache

import numpy as np
import scipy
from numpy.typing import ArrayLike

from sim.foundations.ports import Array

FEWEST, MOST, STEPS = 0.5, 1e6, 4000


def jitter_loss_db(
    form_db: Array, error_rad: Array, jitter_rad: float, share: float
) -> tuple[Array, Array]:
    """Return mean and quantile of what jitter adds to the loss of a static error.

    The loss e.Q.e of normal errors is a weighted sum of non-central chi-squared numbers. Its
    quantile is taken from a shifted and scaled chi-squared law with the same first three cumulants.
    That is exact where one weight counts, or several equal ones: offset or tilt of a round beam
    along two axes, for which the loss is exponential about a beam without static error.

    Parameters
    ----------
    form_db : (C, 4, 4) ndarray
        Q. [dB/rad^2]
    error_rad : (..., C, 4) ndarray
        Static error, about which it jitters. [rad]
    jitter_rad : float
        Standard deviation, the same and independent on all four tilts. [rad]
    share : float
        Share of the time for which the quantile holds, above 0.5.

    Returns
    -------
    mean, quantile : (..., C) ndarray
        Over the loss of the static error. [dB]

    References
    ----------
    .. [1] J. P. Imhof, Biometrika 48 (1961) 419, names Pearson's three-cumulant law (from memory;
       tests hold it against drawn errors and against the exponential law).
    """
    if jitter_rad == 0.0:
        zero = np.zeros(error_rad.shape[:-1])
        return zero, zero
    s2 = jitter_rad**2
    first = np.einsum("cij,...cj->...ci", form_db, error_rad)
    second = np.einsum("cij,...cj->...ci", form_db, first)
    square = form_db @ form_db
    trace_1 = np.trace(form_db, axis1=1, axis2=2)
    trace_2 = np.trace(square, axis1=1, axis2=2)
    trace_3 = np.einsum("cij,cji->c", square, form_db)
    mean = s2 * np.broadcast_to(trace_1, error_rad.shape[:-1])
    variance = 2.0 * s2**2 * trace_2 + 4.0 * s2 * np.sum(first**2, axis=-1)
    third = 8.0 * s2**3 * trace_3 + 24.0 * s2**2 * np.sum(first * second, axis=-1)
    freedom = 8.0 * variance**3 / third**2
    beyond = _chi_squared(freedom, share) - freedom
    return mean, mean + beyond * np.sqrt(0.5 * variance / freedom)


def _chi_squared(freedom: ArrayLike, share: float) -> Array:
    """Return the quantile of a chi-squared law, between points of a fine table."""
    at, found = _table(share)
    return np.interp(np.log(freedom), at, found) * np.asarray(freedom)


@lru_cache(maxsize=8)
def _table(share: float) -> tuple[Array, Array]:
    freedom = np.geomspace(FEWEST, MOST, STEPS)
    return np.log(freedom), 2.0 * scipy.special.gammaincinv(0.5 * freedom, share) / freedom
