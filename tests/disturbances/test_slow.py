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
from sim.ports import Clock, Site

CLOCK = Clock(0.1, 10, 100)  # 100 s
SITE = Site(CLOCK, np.arange(3000), (4, 66), Path("."))
CHARGING = {
    "kind": "charging",
    "amplitude_urad": 50.0,
    "tau_s": 1000.0,
    "beta": 0.5,
    "at_age_s": 0.0,
    "zeroed_at_age_s": 0.0,
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


def test_calibration_takes_off_what_had_gathered():
    settings = CHARGING | {"at_age_s": 1000.0, "zeroed_at_age_s": 400.0}
    late, whole = (rest(Charging(ChargingParams(**s), SITE)) for s in (settings, CHARGING))
    amplitude = whole[100] / stretched_exponential(100.0, 1000.0, 0.5)
    course = stretched_exponential([1000.0, 1100.0], 1000.0, 0.5) - stretched_exponential(
        400.0, 1000.0, 0.5
    )
    np.testing.assert_allclose(late[[0, 100]], course[:, None, None] * amplitude, rtol=1e-9)


def test_ageing_is_in_proportion_to_time_since_calibration():
    params = AgeingParams(kind="ageing", rate_urad_per_1000_h=36.0, since_calibration_h=1.0)
    path = rest(Ageing(params, SITE))
    np.testing.assert_allclose(path[100] / path[0], 3700.0 / 3600.0, rtol=1e-12)
    low, high = chi2.ppf([0.0005, 0.9995], 6000) / 6000
    assert low < np.mean(path[0] ** 2) / 0.036e-6**2 < high  # one hour of 36 urad/1000 h


def test_calibration_after_the_start_is_refused():
    with pytest.raises(ValidationError, match="zeroed_at_age_s must not exceed at_age_s, got 2.0"):
        ChargingParams(**(CHARGING | {"at_age_s": 1.0, "zeroed_at_age_s": 2.0}))


@pytest.mark.parametrize("change", [{"beta": 1.1}, {"beta": 0.0}, {"tau_s": 0.0}])
def test_bad_parameters_are_refused(change):
    with pytest.raises(ValidationError, match=next(iter(change))):
        ChargingParams(**(CHARGING | change))
