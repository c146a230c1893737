"""How long a cumulative-sum or moving-average test runs until it raises an alarm.

The one-sided test is S <- max(0, S + x - k) from S = 0, alarm once S > h, on independent normal
readings x of mean `mean` and variance 1; k is its reference value, h its threshold. Correlated
readings shorten the runs without an alarm several times: whiten them, or take every n-th.
"""

import math
from typing import Final

import numpy as np
import scipy
from numpy.typing import NDArray

NODES: Final = 80
OVERSHOOT: Final = 1.166
"""2 x 0.583: mean overshoot of a normal random walk, both ends of Siegmund's corrected diffusion
(D. Siegmund, Sequential Analysis, 1985; from memory)."""


def siegmund(mean: float, k: float, h: float) -> float:
    """Return the average run length of the one-sided test by Siegmund's approximation.

    (exp(-2 d b) + 2 d b - 1)/(2 d^2) with d = mean - k, b = h + 1.166; b^2 for d = 0. Within 1 %
    for h of 4 and above as long as it is not much below 10 readings.

    Parameters
    ----------
    mean : float
        Of the readings, whose variance is 1. [-]
    k : float
        Reference value of the test. [-]
    h : float
        Its threshold. [-]

    Returns
    -------
    float
        Readings until the alarm, on the mean, from a sum of zero. [-]

    References
    ----------
    .. [1] D. Siegmund, Sequential Analysis, Springer 1985. From memory; tests hold it to the exact
       run lengths.
    """
    d, b = mean - k, h + OVERSHOOT
    if abs(d) < 1e-9:
        return b * b
    return float((np.exp(-2.0 * d * b) + 2.0 * d * b - 1.0) / (2.0 * d * d))


def by_integral(mean: float, k: float, h: float, nodes: int = NODES) -> float:
    """Return the average run length of the one-sided test, by its integral equation.

    L(u) = 1 + L(0) P(x <= k - u) + integral over 0..h of L(v) p(v + k - u) dv, solved at
    Gauss-Legendre nodes (Nystrom's method).

    Parameters
    ----------
    mean : float
        Of the readings, whose variance is 1. [-]
    k : float
        Reference value of the test. [-]
    h : float
        Its threshold. [-]
    nodes : int
        Of the quadrature; 80 leave less than 1e-8 up to h of 12.

    Returns
    -------
    float
        Readings until the alarm, on the mean, from a sum of zero. [-]

    References
    ----------
    .. [1] E. S. Page, Biometrika 41 (1954) 100: the integral equation.
    """
    at, weight = np.polynomial.legendre.leggauss(nodes)
    at, weight = 0.5 * h * (at + 1.0), 0.5 * h * weight
    start = np.concatenate([[0.0], at])
    matrix = np.empty((nodes + 1, nodes + 1))
    matrix[:, 0] = scipy.special.ndtr(k - start - mean)
    matrix[:, 1:] = weight * _density(at[None, :] + k - start[:, None] - mean)
    return float(np.linalg.solve(np.eye(nodes + 1) - matrix, np.ones(nodes + 1))[0])


def ewma(mean: float, weight: float, limit: float, nodes: int = NODES) -> float:
    """Return the average run length of a moving average between two limits, from its centre.

    z <- (1 - w) z + w x, alarm once |z| exceeds `limit` standard deviations of z,
    sqrt(w/(2 - w)) at rest.

    Parameters
    ----------
    mean : float
        Of the readings, whose variance is 1. [-]
    weight : float
        Of the newest reading, w above. [-]
    limit : float
        Either way, in standard deviations of the average at rest. [-]
    nodes : int
        Of the quadrature.

    Returns
    -------
    float
        Readings until the alarm, on the mean, from an average of zero. [-]

    References
    ----------
    .. [1] J. M. Lucas and M. S. Saccucci, Technometrics 32 (1990) 1.
    """
    edge = limit * math.sqrt(weight / (2.0 - weight))
    at, share = np.polynomial.legendre.leggauss(nodes)
    at, share = edge * at, edge * share
    start = np.concatenate([[0.0], at])
    step = (at[None, :] - (1.0 - weight) * start[:, None]) / weight
    matrix = np.zeros((nodes + 1, nodes + 1))
    matrix[:, 1:] = share * _density(step - mean) / weight
    return float(np.linalg.solve(np.eye(nodes + 1) - matrix, np.ones(nodes + 1))[0])


def threshold_of(wanted: float) -> float:
    """Return the threshold on a sum of log-likelihood ratios for an average run length.

    ln(wanted): whatever the two distributions, the average run length without a change is then
    `wanted` at least. On normal readings with a shift it is some six times that.

    Parameters
    ----------
    wanted : float
        Readings between false alarms, at least. [-]

    References
    ----------
    .. [1] G. Lorden, Ann. Math. Statist. 42 (1971) 1897, theorem 2.
    """
    if wanted <= 1.0:
        raise ValueError(f"wanted must exceed 1 reading, got {wanted:g}")
    return math.log(wanted)


def _density(x: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(np.exp(-0.5 * x**2) / np.sqrt(2.0 * np.pi))
