"""Run lengths of the tests that the health watch is made of, against published tables."""

from collections.abc import Callable

import numpy as np
import pytest
from scipy.special import ndtr

from sim.health.run_length import by_integral, ewma, siegmund, threshold_of
from sim.health.whitening import learn, nothing_learnt, whitened


def cumulative_sum(mean: float, k: float, h: float, states: int) -> float:
    """Mean length by a Markov chain over cells of S (Brook and Evans 1972, section 3).

    Cells are 2 h/(2 t - 1) wide, the first half of that, at zero.
    """
    width = 2.0 * h / (2.0 * states - 1.0)
    middle = width * np.arange(states)
    upper = middle + 0.5 * width - middle[:, None] + k - mean
    chance = ndtr(upper) - ndtr(upper - width)
    chance[:, 0] = ndtr(upper[:, 0])
    return float(np.linalg.solve(np.eye(states) - chance, np.ones(states))[0])


def moving_average(mean: float, weight: float, limit: float, states: int) -> float:
    """Mean length by a chain over 2 t - 1 cells between the limits (Lucas and Saccucci 1990)."""
    cells = 2 * states - 1
    width = 2.0 * limit * np.sqrt(weight / (2.0 - weight)) / cells
    middle = width * (np.arange(cells) - (states - 1))
    step = middle - (1.0 - weight) * middle[:, None]
    upper, lower = ((step + side * width) / weight - mean for side in (0.5, -0.5))
    chance = ndtr(upper) - ndtr(lower)
    return float(np.linalg.solve(np.eye(cells) - chance, np.ones(cells))[states - 1])


def extrapolated(length: Callable[[int], float]) -> float:
    """A chain's length for cells of no width: errors go with even powers of it (Lagrange at 0)."""
    states = (50, 100, 200)
    square = [1.0 / (2 * t - 1) ** 2 for t in states]
    return sum(
        length(t) * np.prod([other / (other - own) for other in square if other != own])
        for t, own in zip(states, square, strict=True)
    )


@pytest.mark.parametrize(
    ("h", "mean", "published", "digits"),
    [
        # D. Brook and D. A. Evans, Biometrika 59 (1972) 539, section 4.3 (k = 0.5, h = 3), as the
        # help page of the R package spc quotes them; printed to 5 and 3 digits.
        (3.0, 0.0, 117.59, 1e-4),
        (3.0, 1.5, 3.75, 2e-3),
        # J. M. Lucas and R. B. Crosier, Technometrics 24 (1982) 199, table 1, h = 4; the table is
        # of both sides, which only matter at a mean of 0.
        (4.0, 0.5, 26.6, 4e-3),
        (4.0, 1.0, 8.38, 1e-3),
        (4.0, 2.0, 3.34, 1e-3),
    ],
)
def test_run_lengths_of_published_tables(h, mean, published, digits):
    assert by_integral(mean, 0.5, h) == pytest.approx(published, rel=digits)


def test_two_sides_of_a_published_table():
    # Lucas and Crosier 1982, table 1: 168 at h = 4, 465 at h = 5, both sides. Two sides of one test
    # without head start end the runs twice as often: 1/L = 1/L+ + 1/L-.
    for h, published in ((4.0, 168.0), (5.0, 465.0)):
        assert 0.5 * by_integral(0.0, 0.5, h) == pytest.approx(published, rel=3e-3)


def test_the_chain_itself_is_as_poor_with_few_states_as_published():
    # Brook and Evans, first example of convergence: five states give 297.6 instead of 335.4.
    assert cumulative_sum(0.0, 0.5, 4.0, 5) == pytest.approx(297.6, abs=0.1)


@pytest.mark.parametrize("mean", [0.0, 0.5, 1.0, 1.5, 2.0])
@pytest.mark.parametrize("h", [4.0, 5.0])
def test_run_lengths_by_a_second_route(h, mean):
    # The integral equation against the chain without end of states; both leave about 1e-10.
    chain = extrapolated(lambda states: cumulative_sum(mean, 0.5, h, states))
    assert by_integral(mean, 0.5, h) == pytest.approx(chain, rel=1e-8)


@pytest.mark.parametrize(("k", "h", "mean"), [(0.5, 10.0, 0.0), (0.5, 12.0, 0.0), (0.25, 8.0, 2.5)])
def test_far_thresholds_and_other_references_by_a_second_route(k, h, mean):
    # Extrapolation leaves 1e-7 at 10 and 5e-7 at 12. k = 0.25, h = 8 at 2.5: 4.15008 by the help
    # page of the R package spc too.
    chain = extrapolated(lambda states: cumulative_sum(mean, k, h, states))
    assert by_integral(mean, k, h) == pytest.approx(chain, rel=1e-6)


def test_the_length_grows_as_the_exponent_says():
    # The root of the moment generating function: exp(2 k) for each unit of h, far out.
    ratio = by_integral(0.0, 0.5, 12.0) / by_integral(0.0, 0.5, 10.0)
    assert ratio == pytest.approx(np.exp(2.0), rel=2e-4)


@pytest.mark.parametrize(("mean", "within"), [(0.0, 0.01), (0.5, 0.001), (1.0, 0.01), (2.0, 0.04)])
def test_siegmund_is_as_near_as_he_says(mean, within):
    # Tolerances: 338.093/335.368, 26.6876/26.6792, 8.3434/8.3832, 3.2218/3.3428, worked by hand.
    assert siegmund(mean, 0.5, 4.0) == pytest.approx(by_integral(mean, 0.5, 4.0), rel=within)


def test_simulated_runs_agree():
    # Independent of all formulas. The mean of n runs has a standard error of about ARL/sqrt(n):
    # 4000 runs, four standard errors.
    rng = np.random.default_rng(1)
    total, running, lengths, step = np.zeros(4000), np.ones(4000, bool), np.zeros(4000), 0
    while running.any():
        step += 1
        total = np.maximum(0.0, total + rng.standard_normal(4000) - 0.5)
        ended = running & (total > 3.0)
        lengths[ended] = step
        running &= ~ended
    exact = by_integral(0.0, 0.5, 3.0)
    assert lengths.mean() == pytest.approx(exact, abs=4 * exact / np.sqrt(4000))


@pytest.mark.parametrize(
    ("weight", "limit", "mean", "published", "within"),
    [
        # Lucas and Saccucci, Technometrics 32 (1990) 1, table 3, and the help page of spc.
        (0.5, 3.071, 0.0, 500.0, 5e-4),
        (0.5, 3.071, 0.5, 88.8, 1e-3),
        (0.5, 3.071, 1.0, 17.5, 2e-3),
        (0.5, 3.071, 2.0, 3.63, 1e-3),
        (0.25, 3.0, 1.0, 11.154267, 1e-6),
    ],
)
def test_moving_average_against_published_tables(weight, limit, mean, published, within):
    assert ewma(mean, weight, limit) == pytest.approx(published, rel=within)


@pytest.mark.parametrize("shift", [0.5, 1.0, 2.0])
def test_the_threshold_keeps_its_promise(shift):
    # The sum of likelihood ratios of a shift d is d times the test with k = d/2, h = ln(wanted)/d.
    wanted = 1000.0
    length = by_integral(0.0, 0.5 * shift, threshold_of(wanted) / shift)
    assert length > wanted
    with pytest.raises(ValueError, match="wanted must exceed 1"):
        threshold_of(1.0)


@pytest.mark.parametrize("mean", [0.0, 0.5, 1.0, 2.0])
@pytest.mark.parametrize(("weight", "limit"), [(0.1, 2.814), (0.25, 3.0), (0.5, 3.071)])
def test_moving_averages_by_a_second_route(weight, limit, mean):
    chain = extrapolated(lambda states: moving_average(mean, weight, limit, states))
    assert ewma(mean, weight, limit) == pytest.approx(chain, rel=1e-8)


def test_whitening_gives_correlated_readings_their_run_length_back():
    # First-order correlation 0.5 cuts 335 readings between alarms to 69 (Monte Carlo of others, to
    # 1 %) at k = 0.5, h = 4. The watch's own whitening, learnt from 4000 readings of each of 200
    # series, brings 335 back, less what learnt scales cost: they are 1.1 % off, and d ln(length)/
    # d ln(scale) is -7.4 (integral equation): (7.4 x 0.011)^2/2 = 0.3 %. Sums begin anew after an
    # alarm; counts are Poisson: 200 x 2000 readings give 1194 alarms, four standard errors 12 %.
    rng, series, learn_frames, frames, phi = np.random.default_rng(5), 100, 4000, 2000, 0.5
    known, good = nothing_learnt(series, 2), np.ones(series, bool)
    x = rng.standard_normal((series, 2))
    sums, alarms = np.zeros((2, series, 2)), np.zeros(2)
    for k in range(learn_frames + frames + 1):
        x = phi * x + np.sqrt(1 - phi**2) * rng.standard_normal((series, 2))
        known = learn(known, x, good, learn_frames)
        known, z = whitened(known, x, good)
        if k > learn_frames:
            sums = np.maximum(0.0, sums + np.stack([x, z]) - 0.5)
            alarms += (sums > 4.0).sum(axis=(1, 2))
            sums = np.where(sums > 4.0, 0.0, sums)
    raw, white = 2 * series * frames / alarms
    assert white == pytest.approx(335.37, rel=0.12)
    assert raw == pytest.approx(69.0, rel=0.1)
