"""What a sweep says: means with their intervals, rank correlations, shares of variance."""

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from sim.studies.sweep.plan import SweepPlan

CONFIDENCE = 0.95
REDRAWS = 1000
REDRAW_SEED = 201
FEWEST_SEEDS = 5
"""Below this, seeds are not drawn anew for an interval of a correlation."""
FEWEST_SAMPLES = 64
"""Below this, no share of variance is given for a sampled quantity."""
MOST_BINS = 16

Floats = NDArray[np.float64]


class Interval(NamedTuple):
    """A mean and its interval; NaN where there is none."""

    mean: float
    low: float
    high: float
    size: int
    """Independent values it rests on."""


class MetricAtValue(NamedTuple):
    """A metric at one value of a quantity, or over one bin of it."""

    at: Any
    """The value, or the mean of the bin."""
    response: Interval


class Effect(NamedTuple):
    """How one quantity acts on one metric."""

    path: str
    correlation: float
    """Spearman's; NaN for quantities that are no numbers."""
    low: float
    high: float
    share: float
    """Of the variance over points and seeds, by this quantity alone; NaN if not estimated."""


def mean_interval(values: ArrayLike) -> Interval:
    """Return mean and 95 % interval of independent values, by Student's t.

    References
    ----------
    Student, Biometrika 6 (1908) 1.
    """
    v = np.asarray(values, dtype=float)
    v = v[np.isfinite(v)]
    if len(v) == 0:
        return Interval(np.nan, np.nan, np.nan, 0)
    mean = float(v.mean())
    if len(v) == 1:
        return Interval(mean, np.nan, np.nan, 1)
    half = stats.t.ppf(0.5 + CONFIDENCE / 2, len(v) - 1) * v.std(ddof=1) / np.sqrt(len(v))
    return Interval(mean, float(mean - half), float(mean + half), len(v))


def overall_interval(y: Floats) -> Interval:
    """Return mean and 95 % interval of a metric over all runs.

    With one sample, seeds are what is random; with one seed, samples are; with several of both,
    the variances of the mean from either are added, which counts what they do together twice and
    so makes the interval too wide rather than too narrow. Where figures are missing, and where
    nothing is random, there is a mean but no interval.

    Parameters
    ----------
    y : (combinations, samples, seeds) ndarray
        From `responses`.

    References
    ----------
    F. E. Satterthwaite, Biometrics Bull. 2 (1946) 110 (degrees of freedom of a sum).
    """
    if not np.isfinite(y).all():
        return mean_interval([y[np.isfinite(y)].mean()])
    flat = y.mean(axis=0)
    if min(flat.shape) == 1:
        return mean_interval(flat.ravel())
    mean = float(flat.mean())
    parts = np.array([flat.mean(axis=1 - i).var(ddof=1) / flat.shape[i] for i in (0, 1)])
    if parts.sum() == 0:
        return Interval(mean, mean, mean, flat.size)
    freedom = parts.sum() ** 2 / (parts**2 / (np.array(flat.shape) - 1)).sum()
    half = float(stats.t.ppf(0.5 + CONFIDENCE / 2, freedom) * np.sqrt(parts.sum()))
    return Interval(mean, mean - half, mean + half, flat.size)


def responses(plan: SweepPlan, column: ArrayLike) -> Floats:
    """Return a metric as (combinations, samples, seeds); NaN where there is no figure."""
    shape = (plan.combinations, plan.samples, len(plan.seeds))
    return np.array(column, dtype=float).reshape(shape)


def is_sampled(plan: SweepPlan, quantity: int) -> bool:
    """Whether the quantity is drawn, rather than stepped through."""
    return plan.varied[quantity].distribution is not None and plan.design != "grid"


def levels(plan: SweepPlan, y: Floats, quantity: int) -> list[MetricAtValue]:
    """Return the mean of a metric against a quantity.

    A stepped quantity has a mean at each value, over all points with that value; a sampled one
    over bins of equally many samples. The interval rests on what is random: the seeds of a grid,
    the samples of a sampled design. It treats a sampled design as independent draws, which for a
    Latin hypercube or a Sobol sequence makes it too wide rather than too narrow.

    Parameters
    ----------
    plan : SweepPlan
        The sweep.
    y : (combinations, samples, seeds) ndarray
        From `responses`.
    quantity : int
        Index into `plan.varied`.
    """
    if is_sampled(plan, quantity):
        x = np.array([plan.points[j][quantity] for j in range(plan.samples)])
        each = _mean(y, (0, 2))
        return [MetricAtValue(float(x[b].mean()), mean_interval(each[b])) for b in _bins(x)]
    found = []
    for value, rows in _groups(plan, quantity):
        part = y[rows]
        each = _mean(part, (0, 1)) if plan.samples == 1 else _mean(part, (0, 2))
        found.append(MetricAtValue(value, mean_interval(each)))
    return found


def effects(plan: SweepPlan, y: Floats) -> list[Effect]:
    """Return how each quantity acts on a metric, the strongest first."""
    found = []
    for i in range(len(plan.varied)):
        correlation, low, high = _correlation(plan, y, i)
        found.append(Effect(plan.varied[i].path, correlation, low, high, first_order(plan, y, i)))

    def strength(effect: Effect) -> tuple[float, float]:
        return (
            -effect.share if np.isfinite(effect.share) else 0.0,
            -abs(effect.correlation) if np.isfinite(effect.correlation) else 0.0,
        )

    return sorted(found, key=strength)


def seed_share(y: Floats) -> float:
    """Return the share of the variance that the seed makes at a fixed point; NaN for one seed."""
    within = _within(y)
    if not np.isfinite(y).all() or np.isnan(within):
        return np.nan
    total = _between(y) + within
    return within / total if total > 0 else np.nan


def first_order(plan: SweepPlan, y: Floats, quantity: int) -> float:
    """Return the first-order share of variance of a quantity, Var E[y | x] / Var y.

    For a stepped quantity, from its level means, less what noise adds to their variance. For a
    sampled one, from the means of equally filled bins, corrected for their number as Kelley did
    (epsilon squared). With one seed the noise cannot be separated from the
    rest. Interactions with other quantities are in no first-order share.

    Returns
    -------
    float
        0 to 1, or NaN: figures are missing, nothing varies, or a sampled quantity has fewer than
        64 samples.

    References
    ----------
    I. M. Sobol, Math. Comput. Simul. 55 (2001) 271 (the index). T. L. Kelley, Proc. Natl. Acad.
    Sci. 21 (1935) 554 (the correction); from memory, not checked against the papers.
    """
    if not np.isfinite(y).all():
        return np.nan
    within = _within(y)
    total = _between(y) + (0.0 if np.isnan(within) else within)
    # Rounding of equal figures is not variance.
    if total <= (1e-12 * np.abs(y).max()) ** 2:
        return np.nan
    if is_sampled(plan, quantity):
        if plan.samples < FEWEST_SAMPLES:
            return np.nan
        x = np.array([plan.points[j][quantity] for j in range(plan.samples)])
        each = y.mean(axis=(0, 2))
        bins = _bins(x)
        inside = sum(float(((each[b] - each[b].mean()) ** 2).sum()) for b in bins)
        n = len(each)
        part = float(each.var()) - inside / n - (len(bins) - 1) / n * inside / (n - len(bins))
    else:
        groups = _groups(plan, quantity)
        means = np.array([y[rows].mean() for _, rows in groups])
        one = y[groups[0][1]].size
        part = float(means.var()) - _joint(y) / one * (len(means) - 1) / len(means)
    return float(np.clip(part / total, 0.0, 1.0))


def _within(y: Floats) -> float:
    """Variance over seeds at a fixed point, averaged over points."""
    return float(y.var(axis=2, ddof=1).mean()) if y.shape[2] > 1 else np.nan


def _joint(y: Floats) -> float:
    """Variance that is neither the point's nor the seed's own; 0 where it cannot be estimated.

    All points share their seeds, so what a seed does to all of them alike is no noise in a
    comparison of points.
    """
    points, seeds = y.shape[0] * y.shape[1], y.shape[2]
    if points < 2 or seeds < 2:
        return 0.0
    flat = y.reshape(points, seeds)
    rest = flat - flat.mean(axis=1, keepdims=True) - flat.mean(axis=0) + flat.mean()
    return float((rest**2).sum() / ((points - 1) * (seeds - 1)))


def _between(y: Floats) -> float:
    """Variance over points of the mean over all seeds there could be."""
    points = y.shape[0] * y.shape[1]
    noise = _joint(y) / y.shape[2] * (points - 1) / points
    return max(0.0, float(y.mean(axis=2).var()) - noise)


def _correlation(plan: SweepPlan, y: Floats, quantity: int) -> tuple[float, float, float]:
    """Spearman's rank correlation over all runs, with a bootstrap interval where one is honest.

    C. Spearman, Am. J. Psychol. 15 (1904) 72; B. Efron, Ann. Statist. 7 (1979) 1. Samples (or, in
    a grid, seeds) are drawn anew whole; ranks are those of all runs.
    """
    none = (np.nan, np.nan, np.nan)
    values = [point[quantity] for point in plan.points]
    if not all(isinstance(v, int | float) and not isinstance(v, bool) for v in values):
        return none
    x = np.broadcast_to(np.reshape(values, (*y.shape[:2], 1)), y.shape)
    good = np.isfinite(y)
    if good.sum() < 3:
        return none
    ranks = np.zeros((2, *y.shape))
    for k, v in enumerate((x, y)):
        ranks[k][good] = stats.rankdata(v[good])
    axis = 2 if plan.samples == 1 else 1
    others = tuple(i for i in range(3) if i != axis)
    a, b = ranks
    # Sums of each unit; weights then draw units anew.
    sums = np.stack([s.sum(axis=others) for s in (good, a, b, a * a, b * b, a * b)], axis=-1)
    units = y.shape[axis]
    correlation = float(_pearson(sums.sum(axis=0)))
    if np.isnan(correlation) or units < FEWEST_SEEDS:
        return (correlation, np.nan, np.nan)
    rng = np.random.default_rng(REDRAW_SEED)
    weights = rng.multinomial(units, np.full(units, 1 / units), size=REDRAWS)
    drawn = _pearson(weights @ sums)
    drawn = drawn[np.isfinite(drawn)]
    tail = 50 * (1 - CONFIDENCE)
    low, high = np.percentile(drawn, [tail, 100 - tail])
    return (correlation, float(low), float(high))


def _pearson(sums: Floats) -> Floats:
    n, a, b, aa, bb, ab = np.moveaxis(np.asarray(sums, dtype=float), -1, 0)
    spread = (n * aa - a * a) * (n * bb - b * b)
    flat = spread <= 1e-12 * (n * aa) * (n * bb)
    return np.where(flat, np.nan, (n * ab - a * b) / np.sqrt(np.where(flat, 1.0, spread)))


def _groups(plan: SweepPlan, quantity: int) -> list[tuple[Any, NDArray[np.int64]]]:
    """The values of a stepped quantity, and the combinations that have each."""
    firsts = [plan.points[c * plan.samples][quantity] for c in range(plan.combinations)]
    order: dict[str, Any] = {repr(v): v for v in firsts}
    return [
        (value, np.array([c for c, v in enumerate(firsts) if repr(v) == key]))
        for key, value in order.items()
    ]


def _bins(x: Floats) -> list[NDArray[np.int64]]:
    """Indices of equally filled bins: about the square root of their number, 16 at most."""
    count = int(np.clip(np.sqrt(len(x)), 1, MOST_BINS))
    return [np.sort(b) for b in np.array_split(np.argsort(x, kind="stable"), count)]


def _mean(y: Floats, axes: tuple[int, int]) -> Floats:
    """Mean over the axes of the figures that exist; NaN where there is none."""
    good = np.isfinite(y)
    count = good.sum(axis=axes)
    total = np.where(good, y, 0.0).sum(axis=axes)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)
