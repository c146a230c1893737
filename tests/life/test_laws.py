"""Laws of ageing fitted to drawn shifts: bounds of Cramer and Rao, and what short tests say."""

import numpy as np
import pytest

from sim.foundations.errors import ProfileError
from sim.life.arrhenius import acceleration
from sim.life.laws import fit_law

HOUR = 3600.0


def readings(end_s, seed, noise=1e-3):
    hours = np.geomspace(1.0, end_s, 31) / HOUR
    rng = np.random.default_rng(seed)
    return hours, 1.0 - np.exp(-((hours * HOUR / 1000.0) ** 0.5)) + noise * rng.normal(size=31)


def test_a_long_record_gives_the_law_within_its_bound():
    # A = 1, tau = 1000 s, beta = 0.5, 31 points to 1e4 s, noise 1e-3. Cramer-Rao: 1.18888e-3,
    # 5.3853 s, 7.5906e-4. Scaled by each fit's own residual, 28 degrees of freedom,
    # and taken at its own optimum: within 5 %.
    hours, shift = readings(1e4, 1)
    law = fit_law(hours, shift, np.full(31, 25.0), "kohlrausch", 25.0)
    found, sd = law.parameters, np.sqrt(np.diag(law.covariance))
    scale = law.residual / 1e-3
    bounds = {"amplitude": 1.18888e-3, "tau_h": 5.3853 / HOUR, "beta": 7.5906e-4}
    for (name, bound), s in zip(bounds.items(), sd, strict=True):
        assert s * found[name] == pytest.approx(bound * scale, rel=0.05), name
    assert found["tau_h"] * HOUR == pytest.approx(1000.0, abs=4 * 5.3853)


def test_no_life_from_a_short_record():
    # To 100 s the bound is 0.11676 of the amplitude and 294.47 s of tau: the interval says so.
    hours, shift = readings(100.0, 2)
    law = fit_law(hours, shift, np.full(31, 25.0), "kohlrausch", 25.0)
    low, high = law.intervals()["tau_h"]
    assert high / low > 2.0
    _, early, late = law.predict(np.array([10.0]), 25.0)
    assert late[0] - early[0] > 0.2 and early[0] < 1.0 < late[0]


def test_intervals_hold_at_their_rate():
    # 95 % of 60: at least 51 but for a chance of 1e-3 (binomial).
    inside = 0
    for seed in range(60):
        hours, shift = readings(3000.0, 100 + seed)
        law = fit_law(hours, shift, np.full(31, 25.0), "kohlrausch", 25.0)
        low, high = law.intervals()["beta"]
        inside += low <= 0.5 <= high
    assert inside >= 51


def test_the_energy_comes_from_several_temperatures():
    rng = np.random.default_rng(3)
    hours, celsius = np.tile([5.0, 20, 60, 150, 400, 1000], 3), np.repeat([45.0, 65, 85], 6)
    age = hours * acceleration(celsius, 25.0, 0.5)
    shift = 2.0 * age**0.3 + 0.02 * rng.normal(size=18)
    law = fit_law(hours, shift, celsius, "power", 25.0)
    low, high = law.intervals()["activation_ev"]
    assert low < 0.5 < high and high - low < 0.2
    middle, under, over = law.predict(np.array([15 * 8766.0]), 25.0)
    assert under[0] < 2.0 * (15 * 8766.0) ** 0.3 < over[0]


@pytest.mark.parametrize(
    ("shift", "words"),
    [(np.ones(3), "at least 5 measurements"), (-np.arange(1.0, 9.0), "grow upwards")],
)
def test_what_cannot_be_fitted_is_refused(shift, words):
    n = len(shift)
    with pytest.raises(ProfileError, match=words):
        fit_law(np.arange(1.0, n + 1), shift, np.full(n, 25.0), "kohlrausch", 25.0)
