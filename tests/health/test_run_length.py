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
from sim.health.whitening import learn, nothing_learnt, whitened


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


@pytest.mark.parametrize(
    ("h", "at"),
    [
        # k = 0.5 at means 0, 0.5, 1, 1.5, 2: worked out outside this program by a Nystrom rule and
        # by a Markov chain of 200 and 400 states, to eight digits.
        (4.0, (335.3676, 26.67916, 8.383202, 4.747168, 3.342770)),
        (5.0, (930.8870, 38.00961, 10.37598, 5.747218, 4.008871)),
    ],
)
def test_a_whole_table_of_run_lengths(h, at):
    for mean, length in zip((0.0, 0.5, 1.0, 1.5, 2.0), at, strict=True):
        assert by_integral(mean, 0.5, h) == pytest.approx(length, rel=1e-6), mean


def test_far_out_thresholds_grow_as_the_exponent_says():
    # Lengths at h = 6, 8, 10, 12 from outside; the ratio goes to exp(2 k) for each unit of h.
    at = {6.0: 2553.120, 8.0: 18965.73, 10.0: 140264.98, 12.0: 1.036578e6}
    found = {h: by_integral(0.0, 0.5, h) for h in at}
    assert found == pytest.approx(at, rel=1e-6)
    assert found[12.0] / found[10.0] == pytest.approx(np.exp(2.0), rel=2e-4)
    # 3.6e6 readings in 1000 h at one a second: 25.6657 and 3.47297 false alarms; one at 13.2450.
    assert 3.6e6 / found[10.0] == pytest.approx(25.6657, rel=1e-5)
    assert 3.6e6 / found[12.0] == pytest.approx(3.47297, rel=1e-5)
    assert by_integral(0.0, 0.5, 13.2450) == pytest.approx(3.6e6, rel=2e-4)


def test_poor_chains_and_other_references():
    # Five states at h = 5 give 711.7 instead of 930.9; k = 0.25, h = 8, mean 2.5: 4.15008 (help
    # page of the R package spc).
    assert by_markov_chain(0.0, 0.5, 5.0, 5) == pytest.approx(711.7, abs=0.1)
    assert by_integral(2.5, 0.25, 8.0) == pytest.approx(4.15008, rel=1e-5)


@pytest.mark.parametrize(
    ("weight", "limit", "at"),
    [
        # Two routes outside this program, seven digits: means 0, 0.5, 1, 2.
        (0.1, 2.814, (499.580, 31.2974, 10.3307, 4.36225)),
        (0.25, 3.0, (502.895, 48.4530, 11.154267, 3.61678)),
        (0.5, 3.071, (499.906, 88.7954, 17.4766, 3.62800)),
    ],
)
def test_tables_of_the_moving_average(weight, limit, at):
    for mean, length in zip((0.0, 0.5, 1.0, 2.0), at, strict=True):
        assert ewma(mean, weight, limit) == pytest.approx(length, rel=5e-6), mean


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
