"""Slow time and the loop's time are one law: same values, or the same distribution."""

import re

import numpy as np
import pytest

from sim.disturbances import DISTURBANCES
from sim.foundations.ports import Clock, Site, WithSlowTime
from tests.disturbances.test_disturbance_contract import CLOCK, IDS, PROFILES, SETTINGS, make

DRAWN = {"drift", "random_walk"}
EVENTS = {
    "ambient_vibration", "free_fall", "pulse_train", "random_vibration", "record", "shock",
    "sine_dwell", "sine_on_random", "sine_sweep", "spectrum_match",
}  # fmt: skip
MANY = np.arange(4000)


@pytest.mark.parametrize("kind", sorted(SETTINGS))
def test_every_shipped_kind_has_slow_time(kind):
    disturbance = make(kind)
    assert isinstance(disturbance, WithSlowTime)
    state, effects = disturbance.slow(disturbance.slow_state(), np.array([1.0, 2.0, 60.0]))
    for part, shape in zip(
        effects, ((3, 3), (3, len(IDS), 2), (3, 2), (3,), (3,), (3,)), strict=True
    ):
        assert part is None or part.shape == shape
    if kind in EVENTS:
        assert all(part is None for part in effects)


@pytest.mark.parametrize("kind", sorted(set(SETTINGS) - DRAWN - EVENTS))
def test_what_is_not_drawn_has_the_same_value_on_both_clocks(kind):
    disturbance = make(kind)
    _, loop = disturbance.advance(disturbance.initial_state(), 0, CLOCK.n_frames)
    time_s = CLOCK.frame_times_s(0, CLOCK.n_frames)
    _, slow = disturbance.slow(disturbance.slow_state(), time_s)
    for one, other in zip(loop, slow, strict=True):
        assert (one is None) == (other is None)
        if one is not None:
            np.testing.assert_allclose(one, other, atol=1e-18)


def wander(kind, **settings):
    cls = DISTURBANCES[kind]
    return cls(cls.Params(kind=kind, **settings), Site(CLOCK, MANY, (5, 64), PROFILES))


def test_wander_keeps_variance_and_correlation_over_steps_of_any_length():
    # Uhlenbeck and Ornstein: stationary variance sigma^2, correlation exp(-dt/T). 8000 numbers:
    # three deviations of a variance are 3 sqrt(2/8000) = 4.7 %, of a correlation 3.4 %.
    drift = wander("drift", sigma_urad=20.0, correlation_s=5.0, start="stationary")
    time_s = np.array([0.5, 2.0, 30.0])
    _, effects = drift.slow(drift.slow_state(), time_s)
    rest = 1e6 * effects.rest_rad.reshape(3, -1)
    np.testing.assert_allclose(rest.std(axis=1), 20.0, rtol=0.025)
    found = np.corrcoef(rest)
    assert found[0, 1] == pytest.approx(np.exp(-1.5 / 5.0), abs=0.035)
    assert abs(found[1, 2]) < 0.035
    assert np.exp(-28.0 / 5.0) < 0.004


def test_steps_compose():
    # 0.3 s and 1.7 s are 2.0 s: a = 0.36787944 for T = 2 s, and the variance of the sum is the
    # stationary one (Gillespie, Phys. Rev. E 54 (1996) 2084, exact step).
    drift = wander("drift", sigma_urad=200.0, correlation_s=2.0, start="zero")
    state, first = drift.slow(drift.slow_state(), np.array([0.3]))
    _, second = drift.slow(state, np.array([2.0]))
    grown = 1.0 - np.exp(-2.0)
    assert second.rest_rad.var() == pytest.approx(4e-8 * grown, rel=0.05)
    one = np.corrcoef(first.rest_rad.ravel(), second.rest_rad.ravel())[0, 1]
    wanted = np.exp(-0.85) * np.sqrt((1 - np.exp(-0.3)) / grown)
    assert one == pytest.approx(wanted, abs=0.035)


def test_a_walk_grows_with_the_root_of_time():
    walk = wander("random_walk", rate_urad_per_sqrt_s=2.0)
    _, effects = walk.slow(walk.slow_state(), np.array([4.0, 100.0]))
    np.testing.assert_allclose(1e6 * effects.rest_rad.std(axis=(1, 2)), [4.0, 20.0], rtol=0.025)


def climate(**settings):
    cls = DISTURBANCES["thermal"]
    params = cls.Params(
        kind="thermal", ambient={"shape": "climate", **settings}, bench_tau_s=3600.0,
        sensor_tau_s=0.0, sensor_urad_per_k=(1.0, 0.0), tilt_urad_per_k=(1.0, 0.0),
    )  # fmt: skip
    return cls(params, Site(Clock(5e-5, 20, 60), IDS, (3, 64), PROFILES, age_h=100.0))


def test_the_climate_swings_by_day_and_year_at_its_age():
    hall = climate(mean_k=1.0, seasonal_k=4.0, daily_k=2.0)
    hours = np.array([0.0, 6.0, 12.0, 4000.0])
    _, effects = hall.slow(None, 3600.0 * hours)
    age = 100.0 + hours
    air = 1.0 + 4.0 * np.sin(2 * np.pi * age / (24 * 365.25)) + 2.0 * np.sin(2 * np.pi * age / 24)
    np.testing.assert_allclose(1e6 * effects.sensor_rad[:, 0], air, atol=1e-9)
    # A first-order body of 1 h in a swing of 24 h: gain 1/sqrt(1 + (wT)^2), by hand.
    turn = 2 * np.pi / 24
    season = 2 * np.pi / (24 * 365.25)
    body = 1.0 + sum(
        size / np.hypot(1, w) * np.sin(w * age - np.arctan(w))
        for size, w in ((4.0, season), (2.0, turn))
    )
    np.testing.assert_allclose(effects.temperature_k, body, atol=1e-9)


def test_failures_of_the_cooling_come_at_their_rate_and_last():
    hall = climate(failures_per_year=6.0, failure_rise_k=9.0, repair_h=10.0)
    hours = np.arange(0.0, 20 * 8766.0, 1.0)
    _, effects = hall.slow(None, 3600.0 * hours)
    hot = effects.sensor_rad[:, 0] > 4e-6
    assert hot.sum() == pytest.approx(6.0 * 20 * 10.0, rel=0.35)  # Poisson, 120 failures: 9 %
    assert effects.sensor_rad.max() in (pytest.approx(9e-6), pytest.approx(18e-6))


def test_light_warms_a_mirror_with_its_time_constant_and_leaves_it_in_a_move():
    from sim.foundations.ports import Beams

    cls = DISTURBANCES["light_heat"]
    params = cls.Params(
        kind="light_heat", power_mw=100.0, absorbed_pct=2.0, resistance_k_per_mw=1.5, tau_ms=15.0,
        dark_ms=10.0, tilt_urad_per_k=(4.0, 0.0),
    )  # fmt: skip
    on = np.array([[True, False], [True, True]])
    beams = Beams(np.array([0.0, 0.02]), on, np.array([[False, False], [False, True]]))
    site = Site(Clock(5e-5, 20, 60), np.array([0, 7]), (3, 64), PROFILES, beams=beams)
    time_s = np.array([0.0, 0.02, 0.03, 0.045, 0.06])
    warmth = cls(params, site).warmth_k(time_s)
    np.testing.assert_allclose(warmth[:, 0], 3.0)  # 2 % of 100 mW, 1.5 K/mW
    # The output's mirror is dark until 30 ms, then warms: 63.212 % after one time constant.
    wanted = 3.0 * np.array([0, 0, 0, 1 - np.exp(-1), 1 - np.exp(-2)])
    np.testing.assert_allclose(warmth[:, 1], wanted, atol=1e-12)


def test_a_run_says_what_connections_lose_until_their_mirrors_are_warm():
    from sim.assembly.build import build
    from sim.scenario.gallery import find
    from sim.scenario.model import load_scenario

    heat = (
        '{kind = "light_heat", power_mw = 100, absorbed_pct = 2, resistance_k_per_mw = 1.5,'
        " tau_ms = 15, curvature_per_m_per_k = CURVE}"
    )
    overrides = ("switch.geometry.ports_per_side=4", "switch.geometry.columns=2")

    def warnings(curve: str) -> tuple[str, ...]:
        own = f"disturbances=[{heat.replace('CURVE', curve)}]"
        return build(load_scenario(find("harrow_point_reconfigure"), (*overrides, own))).warnings

    assert warnings("0.0") == ()
    (said,) = warnings("0.2")
    low, high = (float(part) for part in re.findall(r"[-+]\d\.\d{3}", said))
    assert low <= high < 0.0  # flat mirrors lose less than bent ones
