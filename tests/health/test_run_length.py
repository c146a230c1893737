"""Run lengths of the tests that the health watch is made of, against published tables."""

import numpy as np
import pytest

from sim.health.run_length import (
    by_integral,
    by_markov_chain,
    either_of,
    ewma,
    siegmund,
    threshold_of,
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
    assert by_markov_chain(mean, 0.5, h) == pytest.approx(published, rel=digits)


def test_two_sides_of_a_published_table():
    # Lucas and Crosier 1982, table 1: 168 at h = 4, 465 at h = 5.
    for h, published in ((4.0, 168.0), (5.0, 465.0)):
        one = by_integral(0.0, 0.5, h)
        assert either_of(one, one) == pytest.approx(published, rel=3e-3)


def test_integral_and_markov_chain_agree_to_their_last_digits():
    # Two routes: the chain is extrapolated in 1/(2 t - 1)^2 (Brook and Evans), and the values
    # 335.3676 (h = 4) and 930.8870 (h = 5) were got from both outside this program.
    for h, exact in ((4.0, 335.3676), (5.0, 930.8870)):
        coarse, fine = (by_markov_chain(0.0, 0.5, h, t) for t in (100, 200))
        a, b = (1.0 / (2 * t - 1) ** 2 for t in (100, 200))
        limit = (fine * a - coarse * b) / (a - b)
        assert by_integral(0.0, 0.5, h) == pytest.approx(exact, rel=1e-6)
        assert limit == pytest.approx(exact, rel=1e-5)


def test_few_states_are_as_poor_as_published():
    # Five states, as in the paper's first example of convergence: 297.6 instead of 335.4.
    assert by_markov_chain(0.0, 0.5, 4.0, 5) == pytest.approx(297.6, abs=0.1)


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


def test_correlated_readings_cut_the_runs():
    # Monte Carlo of others (1 %): first-order correlation 0.3 cuts 335 readings to 108 at h = 4.
    # Here 2000 runs, four standard errors.
    rng = np.random.default_rng(2)
    n, phi = 2000, 0.3
    x, total = rng.standard_normal(n), np.zeros(n)
    running, lengths, step = np.ones(n, bool), np.zeros(n), 0
    while running.any():
        step += 1
        total = np.maximum(0.0, total + x - 0.5)
        ended = running & (total > 4.0)
        lengths[ended] = step
        running &= ~ended
        x = phi * x + np.sqrt(1 - phi**2) * rng.standard_normal(n)
    assert lengths.mean() == pytest.approx(108.0, abs=4 * 108 / np.sqrt(n) + 1.1)


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
