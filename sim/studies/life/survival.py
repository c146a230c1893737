"""How long switches last, with those that outlive the study counted as what they are."""

import warnings
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri
from scipy.stats import CensoredData, ecdf, weibull_min

from sim.foundations.ports import Array

CONFIDENCE: Final = 0.95
FEWEST_MISSES: Final = 3
"""Fewer misses fit no Weibull law."""


class Survival(NamedTuple):
    """Share of switches that have not missed yet, over time (Kaplan and Meier)."""

    years: Array
    """(T,) times of misses."""
    share: Array
    """(T,) from each on. [-]"""
    low: Array
    """(T,) 95 % interval; NaN where it has no end. [-]"""
    high: Array


class Weibull(NamedTuple):
    """A Weibull law of the time of the first miss, by maximum likelihood."""

    shape: float
    scale_years: float
    median_years: float
    shape_low: float
    """95 % intervals, symmetric in the logarithm, from the curvature of the likelihood."""
    shape_high: float
    scale_low_years: float
    scale_high_years: float


def survival(years: Array, missed: NDArray[np.bool_]) -> Survival:
    """Return the survival curve of K switches.

    Parameters
    ----------
    years : (K,) ndarray
        When each missed, or until when it was followed without.
    missed : (K,) ndarray of bool
        Whether it missed; the others are censored.

    References
    ----------
    .. [1] E. L. Kaplan and P. Meier, J. Amer. Statist. Assoc. 53 (1958) 457. Interval: Greenwood's
       variance on log(-log S), as `scipy.stats.ecdf` has it.
    """
    found = ecdf(_sample(years, missed)).sf
    with warnings.catch_warnings(), np.errstate(all="ignore"):
        warnings.simplefilter("ignore", RuntimeWarning)  # an end without a bound is NaN
        interval = found.confidence_interval(CONFIDENCE, method="log-log")
    at = np.isin(found.quantiles, np.asarray(years)[missed])
    return Survival(
        found.quantiles[at], found.probabilities[at], interval.low.probabilities[at],
        interval.high.probabilities[at],
    )  # fmt: skip


def weibull(years: Array, missed: NDArray[np.bool_]) -> Weibull | None:
    """Return the Weibull law of the first miss; None with fewer than three misses.

    With shape b, scale s and u = log(t/s), the log-likelihood of misses and censored ones is
    sum(log(b/s) + (b - 1) u over misses) - sum(exp(b u) over all); its second derivatives by log b
    and log s, at the maximum, are the information.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.1.3.
    """
    if int(np.sum(missed)) < FEWEST_MISSES:
        return None
    shape, _, scale = weibull_min.fit(_sample(years, missed), floc=0)
    z = shape * np.log(np.asarray(years, dtype=float) / scale)
    e = np.exp(z)
    count = float(np.sum(missed))
    by_shape = float(np.sum(e * z * (1.0 + z)) - np.sum(z[missed]))
    by_both = shape * (count - float(np.sum(e * (1.0 + z))))
    information = np.array([[by_shape, by_both], [by_both, shape**2 * float(np.sum(e))]])
    half = float(ndtri(0.5 + 0.5 * CONFIDENCE)) * np.sqrt(np.diag(np.linalg.inv(information)))
    low, high = np.exp(np.log([shape, scale]) - half), np.exp(np.log([shape, scale]) + half)
    return Weibull(
        float(shape), float(scale), float(scale * np.log(2.0) ** (1.0 / shape)),
        float(low[0]), float(high[0]), float(low[1]), float(high[1]),
    )  # fmt: skip


def first_miss(years: Array, missed: NDArray[np.bool_]) -> dict[str, Any]:
    """Return the median time of the first miss with its interval, and the share censored.

    A median, or an end of its interval, that the study is too short to see is None.
    """
    curve = survival(years, missed)
    return {
        "median": _crossing(curve.years, curve.share),
        "low": _crossing(curve.years, curve.low),
        "high": _crossing(curve.years, curve.high),
        "share_censored": float(1.0 - np.mean(missed)),
        "switches": int(len(years)),
    }


def _sample(years: Array, missed: NDArray[np.bool_]) -> CensoredData:
    years = np.asarray(years, dtype=float)
    return CensoredData(uncensored=years[missed], right=years[~missed])


def _crossing(years: Array, share: Array) -> float | None:
    """Return the first time at which a curve is at or below one half."""
    below = np.nonzero(share <= 0.5)[0]
    return float(years[below[0]]) if below.size else None
