"""Charging and ageing against their closed forms."""

from math import gamma
from pathlib import Path

import numpy as np
import pytest
from pydantic import ValidationError
from scipy.integrate import quad
from scipy.stats import chi2

from sim.disturbances.slow import (
    Ageing,
    AgeingParams,
    Charging,
    ChargingParams,
    stretched_exponential,
)
from sim.foundations.errors import ScenarioError
from sim.foundations.ports import Clock, Site

CLOCK = Clock(0.1, 10, 100)  # 100 s
SITE = Site(CLOCK, np.arange(3000), (4, 66), Path("."))
CHARGING = {
    "kind": "charging",
    "amplitude_urad": 50.0,
    "tau_s": 1000.0,
    "beta": 0.5,
}


@pytest.mark.parametrize(
    ("beta", "want", "mean_s"),
    [
        (0.5, [0.095163, 0.271107, 0.632121, 0.957671], 2000.0),
        (0.7, [0.039029, 0.180881, 0.632121, 0.993342], 1265.82),
    ],
)
def test_stretched_exponential(beta, want, mean_s):
    # 1 - exp(-(t/tau)^beta), tau = 1000 s, at 10, 100, 1000, 10 000 s; six decimals.
    got = stretched_exponential([10.0, 100.0, 1000.0, 10_000.0], 1000.0, beta)
    np.testing.assert_allclose(got, want, atol=5.1e-7)
    # Mean relaxation time tau/beta Gamma(1/beta), and as the area above the curve.
    assert 1000.0 / beta * gamma(1 / beta) == pytest.approx(mean_s, abs=0.005)
    area, _ = quad(lambda u: (1 - stretched_exponential(u**4, 1.0, beta)) * 4 * u**3, 0, 20)
    assert 1000.0 * area == pytest.approx(mean_s, rel=1e-5)


def rest(disturbance):
    return disturbance.advance(None, 0, 100)[1].rest_rad


def test_charging_follows_the_curve_with_an_amplitude_for_each_mirror():
    path = rest(Charging(ChargingParams(**CHARGING), SITE))
    np.testing.assert_array_equal(path[0], 0.0)
    # All mirrors share the course; 10 s and 100 s into it.
    np.testing.assert_allclose(path[10] / path[100], 0.095163 / 0.271107, rtol=1e-5)
    low, high = chi2.ppf([0.0005, 0.9995], 6000) / 6000
    amplitude = path[100] / 0.271107
    assert low < np.mean(amplitude**2) / 50e-6**2 < high


def aged(hours):
    return SITE._replace(age_h=hours)


def test_an_aged_switch_starts_corrected_and_goes_on_at_the_rate_of_its_age():
    # R(a) = A (1 - exp(-(a/tau)^beta)): R' = A beta/tau (a/tau)^(beta-1) exp(-(a/tau)^beta).
    # 1000 s old, the rest angle is 0 at the start, and moves as R does at that age; the young
    # switch gives the amplitudes. Tolerance: the mean rate over 0.1 s against that in its middle.
    tau, beta, age = 1000.0, 0.5, 1000.0
    params = ChargingParams(**CHARGING)
    young, old = rest(Charging(params, SITE)), rest(Charging(params, aged(age / 3600)))
    amplitude = young[100] / stretched_exponential(100.0, tau, beta)
    np.testing.assert_array_equal(old[0], 0.0)
    a = age + 0.5
    rate = beta / tau * (a / tau) ** (beta - 1) * np.exp(-((a / tau) ** beta))
    np.testing.assert_allclose(old[1], rate * 1.0 * amplitude, rtol=1e-6)
    course = stretched_exponential([age, age + 100.0], tau, beta)
    np.testing.assert_allclose(old[100], (course[1] - course[0]) * amplitude, rtol=1e-9)


def test_runs_of_neighbouring_ages_join_without_a_jump():
    # The run of a switch that is 50 s older goes on where the younger one's stands after 50 s,
    # but for what has been corrected meanwhile: their increments agree.
    for part in (
        Charging(ChargingParams(**CHARGING), aged(1.0)),
        Ageing(AgeingParams(kind="ageing", rate_urad_per_1000_h=36.0), aged(1.0)),
    ):
        later = type(part)(part.params, aged(1.0 + 50.0 / 3600.0))
        np.testing.assert_allclose(
            np.diff(rest(later)[:50], axis=0), np.diff(rest(part)[50:100], axis=0), rtol=2e-9
        )
        assert np.abs(rest(part)[0]).max() == np.abs(rest(later)[0]).max() == 0.0


def test_what_nothing_corrected_is_there_at_the_start():
    left = ChargingParams(**CHARGING, uncorrected_h=600.0 / 3600.0)
    path = rest(Charging(left, aged(1000.0 / 3600.0)))
    amplitude = rest(Charging(ChargingParams(**CHARGING), SITE))[100]
    amplitude = amplitude / stretched_exponential(100.0, 1000.0, 0.5)
    course = stretched_exponential([1000.0, 1100.0], 1000.0, 0.5) - stretched_exponential(
        400.0, 1000.0, 0.5
    )
    np.testing.assert_allclose(path[[0, 100]], course[:, None, None] * amplitude, rtol=1e-9)


def test_ageing_is_in_proportion_to_time_since_correction():
    params = AgeingParams(kind="ageing", rate_urad_per_1000_h=36.0, uncorrected_h=1.0)
    path = rest(Ageing(params, aged(5000.0)))
    np.testing.assert_allclose(path[100] / path[0], 3700.0 / 3600.0, rtol=1e-9)
    low, high = chi2.ppf([0.0005, 0.9995], 6000) / 6000
    assert low < np.mean(path[0] ** 2) / 0.036e-6**2 < high  # one hour of 36 urad/1000 h


def test_ageing_belongs_to_the_switch_and_not_to_the_noise():
    params = AgeingParams(kind="ageing", rate_urad_per_1000_h=36.0)
    one = SITE._replace(population_key=(1, 66))
    np.testing.assert_array_equal(
        rest(Ageing(params, one)), rest(Ageing(params, one._replace(key=(9, 66))))
    )
    other = one._replace(population_key=(2, 66))
    assert (rest(Ageing(params, one))[100] != rest(Ageing(params, other))[100]).all()


@pytest.mark.parametrize("kind", [Charging, Ageing])
def test_more_uncorrected_than_old_is_refused(kind):
    settings = CHARGING if kind is Charging else {"kind": "ageing", "rate_urad_per_1000_h": 1.0}
    params = kind.Params(**settings, uncorrected_h=2.0)
    with pytest.raises(ScenarioError, match=r"uncorrected_h: must not exceed .* age_h = 1 \(got 2"):
        kind(params, aged(1.0))


@pytest.mark.parametrize("change", [{"beta": 1.1}, {"beta": 0.0}, {"tau_s": 0.0}])
def test_bad_parameters_are_refused(change):
    with pytest.raises(ValidationError, match=next(iter(change))):
        ChargingParams(**(CHARGING | change))
