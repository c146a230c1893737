"""What it costs a threshold that healthy scatter is learnt from a limited number of frames."""

import math
from typing import Final

import numpy as np
import scipy
from numpy.typing import NDArray

from sim.health.run_length import threshold_of

NODES: Final = 40
MOST: Final = 1.5
"""The threshold is at most so many times that of a known scatter."""


def threshold_learnt(wanted: float, learn_frames: int, ratio: float) -> float:
    """Return the threshold on the sum for more scatter, where the scatter of health is learnt.

    With the scatter known, exp(-h) of all stretches of readings reach h. A standard deviation
    learnt from n readings is 1/sqrt(2 n) off. Where it came out too small, all readings look too
    scattered, and a sum reaches h with exp(-t h), t < 1: the t at which the mean of exp(t term) is
    1. Over a fleet the mean of exp(-t h) counts, and the few mirrors of small t make most of it.

    Valid for normal, independent readings of two axes. Where so few frames are learnt that no
    threshold keeps the promise, 1.5 times that of a known scatter is returned.

    Parameters
    ----------
    wanted : float
        Readings between false alarms, at least, on the average over mirrors. [-]
    learn_frames : int
        Readings that the scatter of each axis is learnt from. [-]
    ratio : float
        Scatter that is looked for, over the learnt one. [-]

    Returns
    -------
    float
        Threshold. [nat]

    References
    ----------
    .. [1] The exponent of such sums: A. Wald, Ann. Math. Statist. 15 (1944) 283 (the fundamental
       identity; from memory). Tests hold it to simulated runs.
    """
    known = threshold_of(wanted)
    at, weight = np.polynomial.hermite_e.hermegauss(NODES)
    # True over learnt variance; the quantile of chi-squared is twice that of a gamma law.
    chance = scipy.special.ndtr(at.clip(-8.0, 8.0))
    excess = learn_frames / (2.0 * scipy.special.gammaincinv(0.5 * learn_frames, chance))
    one, other = (each.ravel() for each in np.meshgrid(excess, excess))
    share = np.log(np.outer(weight, weight).ravel() / weight.sum() ** 2)
    exponents = exponent(np.stack([one, other]), ratio)

    def short(h: float) -> float:
        return float(scipy.special.logsumexp(share - h * exponents)) + known

    if short(MOST * known) > 0:
        return MOST * known
    return float(scipy.optimize.brentq(short, known, MOST * known))


def keeps_false_alarm_rate(threshold: float, wanted: float) -> bool:
    """Whether a threshold of `threshold_learnt` keeps what is wanted: not, if none does."""
    return threshold < MOST * threshold_of(wanted)


def exponent(excess: NDArray[np.float64], ratio: float) -> NDArray[np.float64]:
    """Return t at which the mean of exp(t term) is 1, from true over learnt variance (axes, ...).

    The term is sum over axes of (1 - 1/r^2) z^2/2 - ln r with z^2 of mean `excess`, so that the
    equation is -1/2 sum ln(1 - t c excess) = axes t ln r, c = 1 - 1/r^2. It has one root above 0
    while the mean of the term is below 0; else 0 is returned. By bisection.
    """
    c, line = 1.0 - 1.0 / ratio**2, len(excess) * math.log(ratio)
    high = 1.0 / (c * excess.max(axis=0))
    low = np.zeros_like(high)
    for _ in range(60):
        middle = 0.5 * (low + high)
        above = -0.5 * np.log1p(-middle * c * excess).sum(axis=0) > line * middle
        high, low = np.where(above, middle, high), np.where(above, low, middle)
    return np.where(0.5 * c * excess.sum(axis=0) >= line, 0.0, low)
