"""Confidence intervals: of shares, of connections that share their switches, and of means."""

import numpy as np
from scipy.special import betaincinv, stdtrit

from sim.foundations.ports import Array
from sim.foundations.rng import uniforms

LEVEL = 0.95
RESAMPLES = 2000
KEY = (1934, 99)


def exact_interval(good: int, count: int, level: float = LEVEL) -> tuple[float, float]:
    """Return the interval of a share of independent trials, of 95 % if no level is given.

    References
    ----------
    .. [1] C. J. Clopper and E. S. Pearson, Biometrika 26 (1934) 404.
    """
    tail, bad = 0.5 * (1 - level), count - good
    low = float(betaincinv(good, bad + 1, tail)) if good else 0.0
    high = float(betaincinv(good + 1, bad, 1 - tail)) if bad else 1.0
    return low, high


def mean_intervals(values: Array) -> tuple[Array, Array, Array]:
    """Return the means (C,) of draws (L, C), and their 95 % intervals by Student's law.

    The draws of a connection are taken as normal; of 50, skew moves the ends by some per cent.
    """
    count = len(values)
    mean = values.mean(axis=0)
    if count < 2:
        return mean, np.full_like(mean, -np.inf), np.full_like(mean, np.inf)
    wide = float(stdtrit(count - 1, 0.5 * (1 + LEVEL)))
    half = wide * values.std(axis=0, ddof=1) / np.sqrt(count)
    return mean, mean - half, mean + half


def clustered_interval(good: Array, count: int) -> tuple[float, float]:
    """Return the 95 % interval of the share of good connections, (K,) of `count` in each switch.

    Connections of one switch share mirrors, connectors and collimators, so that switches, not
    connections, are drawn again (percentile bootstrap). If every switch is all good, its lower end
    is that of the share of switches: the share of connections can be no lower.
    """
    share = good / count
    if np.all(share == 1.0):
        return exact_interval(len(good), len(good))[0], 1.0
    if len(good) < 2:
        return 0.0, 1.0
    drawn = uniforms(KEY, np.arange(RESAMPLES)[:, None], np.arange(len(good))[None, :])[..., 0]
    means = share[(drawn * len(good)).astype(int)].mean(axis=1)
    low, high = np.quantile(means, [0.5 * (1 - LEVEL), 0.5 * (1 + LEVEL)])
    return float(low), float(high)
