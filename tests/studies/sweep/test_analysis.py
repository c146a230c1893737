"""Means, correlations and shares of variance, against scipy, closed forms and simulation."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from sim.studies.sweep.analysis import (
    effects,
    first_order,
    levels,
    mean_interval,
    overall_interval,
    responses,
    seed_share,
)
from sim.studies.sweep.plan import SweepPlan, unit_samples
from sim.studies.sweep.vary import Distribution, Varied


def made_plan(design, stepped=(), drawn=0, samples=1, seeds=1, seed=1):
    """Return a plan of invented quantities: stepped ones 0, 1, ..., then drawn ones in (0, 1)."""
    lists = [tuple(range(n)) for n in stepped]
    varied = [Varied(f"step.{i}", v, None) for i, v in enumerate(lists)]
    varied += [Varied(f"draw.{i}", (), Distribution("uniform", 0, 1)) for i in range(drawn)]
    unit = unit_samples(design, drawn, samples, seed).tolist() if drawn else [[]]
    grid = [()]
    for values in lists:
        grid = [(*head, v) for head in grid for v in values]
    points = tuple((*head, *row) for head in grid for row in unit)
    return SweepPlan(
        "x", (), tuple(varied), points, len(grid), samples, tuple(range(seeds)), design,
        ("{}",) * len(points),
    )  # fmt: skip


def test_mean_intervals_are_those_of_scipy():
    values = np.random.default_rng(1).normal(3.0, 2.0, 12)
    got = mean_interval([*values, np.nan])
    want = stats.ttest_1samp(values, 0.0).confidence_interval(0.95)
    np.testing.assert_allclose(got[:3], (values.mean(), want.low, want.high), rtol=1e-12)
    assert got.size == 12
    assert mean_interval([2.0])[0] == 2.0 and np.isnan(mean_interval([2.0]).low)
    assert np.isnan(mean_interval([np.nan]).mean)


def test_interval_over_samples_and_seeds_covers_as_often_as_it_says():
    # 2000 sweeps of 20 samples x 6 seeds; parts of sd 1 (sample), 1 (seed) and 0.5 (both). The
    # joint part is counted twice, so that coverage is at or above 95 % (binomial sd 0.5 %).
    rng = np.random.default_rng(6)
    hits = 0
    for _ in range(2000):
        y = rng.normal(size=(20, 1)) + rng.normal(size=6) + 0.5 * rng.normal(size=(20, 6))
        got = overall_interval(y[None])
        hits += got.low <= 0 <= got.high
    assert 0.94 <= hits / 2000 <= 0.98


def test_overall_interval_where_only_one_thing_is_random_or_figures_are_missing():
    y = np.random.default_rng(7).normal(size=(3, 1, 5))
    assert overall_interval(y) == mean_interval(y.mean(axis=(0, 1)))
    assert overall_interval(y.reshape(3, 5, 1)) == mean_interval(y.mean(axis=(0, 1)))
    assert overall_interval(np.full((1, 2, 2), 3.0))[:3] == (3.0, 3.0, 3.0)
    y[0, 0, 0] = np.nan
    assert overall_interval(y).mean == pytest.approx(np.nanmean(y), rel=1e-14)
    assert np.isnan(overall_interval(y).low)


def test_rank_correlation_is_that_of_scipy_with_ties_and_missing_figures():
    plan = made_plan("grid", stepped=(4, 3), seeds=6)
    rng = np.random.default_rng(2)
    y = responses(plan, rng.normal(size=72) + np.repeat([p[0] for p in plan.points], 6))
    y[2, 0, 3] = np.nan
    x = np.repeat([p[0] for p in plan.points], 6)
    good = np.isfinite(y.ravel())
    want = stats.spearmanr(x[good], y.ravel()[good]).statistic
    got = next(e for e in effects(plan, y) if e.path == "step.0")
    assert got.correlation == pytest.approx(want, rel=1e-12)
    assert got.low < want < got.high


def test_bootstrap_interval_covers_as_often_as_it_says():
    # Normal pairs with correlation r have Spearman's 6 / pi asin(r / 2) (Pearson 1907, closed
    # form). 200 sweeps of 40 samples: coverage 95 % has a binomial sd of 1.5 %; percentile
    # intervals of this size are known to be a little short, so 90 % is asked for.
    r, hits = 0.6, 0
    truth = 6 / np.pi * np.arcsin(r / 2)
    plan = made_plan("latin", drawn=1, samples=40)
    rng = np.random.default_rng(3)
    for _ in range(200):
        x = rng.random(40)
        points = tuple((float(v),) for v in x)
        y = r * stats.norm.ppf(x) + np.sqrt(1 - r**2) * rng.normal(size=40)
        (effect,) = effects(replace(plan, points=points), responses(plan, y))
        hits += effect.low <= truth <= effect.high
    assert 0.90 <= hits / 200 <= 0.99


def test_shares_of_the_ishigami_function():
    # T. Ishigami and T. Homma, Proc. ISUMA '90, 1990: closed form for a = 7, b = 0.1.
    a, b = 7.0, 0.1
    plan = made_plan("sobol", drawn=3, samples=4096)
    x = (2 * np.array(plan.points) - 1) * np.pi
    y = responses(plan, np.sin(x[:, 0]) * (1 + b * x[:, 2] ** 4) + a * np.sin(x[:, 1]) ** 2)
    part_1 = (1 + b * np.pi**4 / 5) ** 2 / 2
    part_2 = a**2 / 8
    total = part_1 + part_2 + 8 * b**2 * np.pi**8 / 225
    want = np.array([part_1, part_2, 0.0]) / total
    got = [first_order(plan, y, i) for i in range(3)]
    # 16 bins of sin(x) and sin(x)^2 lose about (2 pi / 16)^2 / 12 of the slope's variance: 2 and
    # 4 % of the share; the rest is the sample's, below 0.01.
    np.testing.assert_allclose(got, want, atol=0.03)
    assert got[0] < want[0] + 0.01 and got[1] < want[1] + 0.01


def test_shares_of_a_grid_are_exact_without_noise():
    # y = x0 + 2 x1 over 3 x 4 values: variances (n^2 - 1) / 12 of whole steps.
    plan = made_plan("grid", stepped=(3, 4))
    y = responses(plan, [p[0] + 2 * p[1] for p in plan.points])
    v0, v1 = 8 / 12, 4 * 15 / 12
    assert first_order(plan, y, 0) == pytest.approx(v0 / (v0 + v1), rel=1e-12)
    assert first_order(plan, y, 1) == pytest.approx(v1 / (v0 + v1), rel=1e-12)
    assert [e.path for e in effects(plan, y)] == ["step.1", "step.0"]


def test_noise_and_common_seeds_bias_no_share():
    # Variances: quantity 2/3 (three steps), seed alone 1, noise 1. Averages over 400 sweeps
    # of 5 seeds; each share's sd is below 0.15, so their means are known to 0.01. The share is a
    # ratio of estimates: a bias of a few per cent is its nature.
    plan = made_plan("grid", stepped=(3, 3), seeds=5)
    rng = np.random.default_rng(4)
    x = np.array([p[0] for p in plan.points])[:, None]
    found = []
    for _ in range(400):
        y = responses(plan, (x + rng.normal(size=5) + rng.normal(size=(9, 5))).ravel())
        found.append((first_order(plan, y, 0), first_order(plan, y, 1), seed_share(y)))
    whole = 2 / 3 + 2
    np.testing.assert_allclose(np.mean(found, axis=0), [2 / 3 / whole, 0, 2 / whole], atol=0.05)


def test_no_share_is_given_where_it_would_not_be_honest():
    plan = made_plan("latin", drawn=1, samples=63)
    y = responses(plan, [p[0] for p in plan.points])
    assert np.isnan(first_order(plan, y, 0))
    grid = made_plan("grid", stepped=(3,))
    assert np.isnan(first_order(grid, responses(grid, [1.0, np.nan, 2.0]), 0))
    assert np.isnan(first_order(grid, responses(grid, [0.1 + 0.2, 0.3, 0.3]), 0))
    assert np.isnan(seed_share(y))


def test_levels_of_a_grid_rest_on_seeds():
    plan = made_plan("grid", stepped=(2, 3), seeds=4)
    y = np.random.default_rng(5).normal(size=(6, 1, 4))
    got = levels(plan, y, 1)
    assert [level.at for level in got] == [0, 1, 2]
    want = mean_interval(y[[1, 4], 0].mean(axis=0))
    assert got[1].response == want and want.size == 4


def test_levels_of_samples_are_filled_alike_and_in_order():
    plan = made_plan("sobol", stepped=(2,), drawn=1, samples=16)
    y = responses(plan, [100 * p[0] + p[1] for p in plan.points])
    got = levels(plan, y, 1)
    assert [level.response.size for level in got] == [4, 4, 4, 4]
    # Every quarter of a 16-point Sobol sequence holds 4; both combinations average to + 50.
    for k, level in enumerate(got):
        assert k / 4 < level.at < (k + 1) / 4
        assert level.response.mean == pytest.approx(50 + level.at, rel=1e-12)
    assert [level.response.size for level in levels(plan, y, 0)] == [16, 16]
