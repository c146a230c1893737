"""The threshold of a sum whose scatter was learnt from a limited number of readings."""

import math

import numpy as np
import pytest
from scipy.integrate import quad

from sim.health import likelihood
from sim.health.learnt_scatter import MOST, exponent, threshold_learnt
from sim.health.run_length import threshold_of

RATIO = 1.5


@pytest.mark.parametrize("excess", [(1.0, 1.0), (0.9, 1.05), (1.1, 1.1), (1.2, 0.8)])
def test_exponents_make_the_mean_one(excess):
    # The definition, by numerical quadrature over each axis' normal density; t is 1 where the
    # learnt variance is the true one (likelihood ratios).
    t = float(exponent(np.array(excess)[:, None], RATIO)[0])
    mean = 1.0
    for each in excess:

        def density(z, var=each):
            term = float(likelihood.of_scatter(np.array([[z]]), RATIO)[0])
            return math.exp(t * term - 0.5 * z * z / var) / math.sqrt(2 * math.pi * var)

        mean *= quad(density, -40, 40, limit=200)[0]
    assert mean == pytest.approx(1.0, rel=1e-7)
    if excess == (1.0, 1.0):
        assert t == pytest.approx(1.0, abs=1e-9)


def test_readings_that_look_too_scattered_on_the_whole_have_no_exponent():
    # The mean of the term is 0 at an excess of 2 ln r/(1 - 1/r^2) = 1.4597 on both axes.
    assert exponent(np.array([[1.4598], [1.4598]]), RATIO)[0] == 0.0
    assert exponent(np.array([[1.45], [1.45]]), RATIO)[0] > 0.0


def test_a_threshold_is_higher_the_less_was_learnt():
    wanted = 1e10
    found = [threshold_learnt(wanted, n, RATIO) for n in (50, 700, 2000, 10_000, 10**6)]
    assert found == sorted(found, reverse=True)
    assert found[0] == pytest.approx(MOST * threshold_of(wanted))
    assert found[-1] == pytest.approx(threshold_of(wanted), rel=1e-3)


def test_the_promise_is_kept_on_simulated_fleets():
    # Wanted: a false alarm in 2000 readings at most, over mirrors whose scatter was each learnt
    # from 300 readings (chi-squared). The threshold of a known scatter raises more beside it.
    rng, mirrors, frames, learn, wanted = np.random.default_rng(9), 2000, 2000, 300, 2000.0
    true = np.sqrt(learn / rng.chisquare(learn, (mirrors, 2)))
    limits = np.array([threshold_learnt(wanted, learn, RATIO), threshold_of(wanted)])
    assert limits[0] > limits[1] + 0.2
    sums, alarms = np.zeros((2, mirrors)), np.zeros(2)
    for _ in range(frames):
        term = likelihood.of_scatter(true * rng.standard_normal((mirrors, 2)), RATIO)
        sums = np.maximum(0.0, sums + term)
        over = sums > limits[:, None]
        alarms += over.sum(axis=1)
        sums = np.where(over, 0.0, sums)
    assert 0 < alarms[0] < mirrors * frames / wanted
    assert alarms[1] > 1.2 * alarms[0]
