"""Confidence intervals of shares: of independent switches, and of connections that share them."""

import numpy as np
from scipy import stats

from sim.ports import Array
from sim.rng import uniforms

LEVEL = 0.95
RESAMPLES = 2000
KEY = (1934, 99)


def exact_interval(good: int, count: int) -> tuple[float, float]:
    """Return the 95 % interval of a share of independent trials.

    References
    ----------
    .. [1] C. J. Clopper and E. S. Pearson, Biometrika 26 (1934) 404.
    """
    low, high = stats.binomtest(good, count).proportion_ci(LEVEL, method="exact")
    return float(low), float(high)


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
