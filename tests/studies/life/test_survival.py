"""Survival with censored switches, against published worked examples."""

import numpy as np
import pytest
from scipy.special import gamma

from sim.studies.life.survival import first_miss, survival, weibull

# 6-MP arm of Freireich et al., Blood 21 (1963) 699: weeks of remission, 1 where censored.
WEEKS = np.array([6, 6, 6, 6, 7, 9, 10, 10, 11, 13, 16, 17, 19, 20, 22, 23, 25, 32, 32, 34, 35.0])
CENSORED = np.array([0, 0, 0, 1, 0, 1, 0, 1, 1, 0, 0, 1, 1, 1, 0, 0, 1, 1, 1, 1, 1], bool)
# NIST/SEMATECH e-Handbook 8.4.1.3: ten failures, ten units still running at 500 h.
HOURS = np.array([54, 187, 216, 240, 244, 335, 361, 373, 375, 386, *[500] * 10], float)


def test_kaplan_meier_of_the_published_remissions():
    curve = survival(WEEKS, ~CENSORED)
    assert curve.years.tolist() == [6, 7, 10, 13, 16, 22, 23]
    np.testing.assert_allclose(
        curve.share,
        [0.857143, 0.806723, 0.752941, 0.690196, 0.627451, 0.537815, 0.448179],
        atol=1e-6,
    )
    # log(-log) intervals at 10 and 23 weeks, by hand from Greenwood's variance.
    np.testing.assert_allclose(curve.low[[2, 6]], [0.503200, 0.188052], atol=1e-5)
    np.testing.assert_allclose(curve.high[[2, 6]], [0.889362, 0.680143], atol=1e-5)


def test_the_median_and_its_interval_say_what_the_study_is_too_short_for():
    found = first_miss(WEEKS, ~CENSORED)
    assert found["median"] == 23 and found["low"] == 13 and found["high"] is None
    assert found["share_censored"] == pytest.approx(12 / 21)


def test_weibull_with_censored_units():
    law = weibull(HOURS, np.arange(20) < 10)
    assert law.shape == pytest.approx(1.7208, abs=2e-4)
    assert law.scale_years == pytest.approx(606.528, abs=0.05)
    # Mean (same source) and the age that a tenth does not reach, by the law's parameters; standard
    # errors 0.50215 and 124.911 by a numerical second derivative of the log-likelihood.
    assert law.scale_years * gamma(1 + 1 / law.shape) == pytest.approx(540.737, abs=0.05)
    tenth = law.scale_years * (-np.log(0.9)) ** (1 / law.shape)
    assert tenth == pytest.approx(164.022, abs=0.05)
    z = 1.959964
    assert law.shape_high / law.shape == pytest.approx(np.exp(z * 0.50215 / 1.720797), rel=1e-4)
    assert law.shape / law.shape_low == pytest.approx(np.exp(z * 0.50215 / 1.720797), rel=1e-4)
    wide = np.exp(z * 124.911 / 606.5276)
    assert law.scale_high_years / law.scale_years == pytest.approx(wide, rel=1e-4)
    assert law.scale_years / law.scale_low_years == pytest.approx(wide, rel=1e-4)
    dropped = weibull(HOURS[:10], np.ones(10, bool))  # the trap: without the censored units
    assert dropped.shape == pytest.approx(3.0597, abs=1e-3)


def test_without_misses_there_is_neither_law_nor_median():
    nothing = np.zeros(5, bool)
    assert weibull(np.full(5, 15.0), nothing) is None
    found = first_miss(np.full(5, 15.0), nothing)
    assert found["median"] is None and found["share_censored"] == 1.0
