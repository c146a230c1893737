"""Ambient temperature through first-order bodies, and its effects."""

import re
from pathlib import Path

import numpy as np
import pytest
from pydantic import ValidationError
from scipy.integrate import solve_ivp

from sim.disturbances.thermal import Thermal, ThermalParams
from sim.foundations.errors import ProfileError
from sim.foundations.ports import Clock, Site

CLOCK = Clock(0.1, 10, 3600)  # one hour in frames of a second
BASE = {
    "kind": "thermal",
    "ambient": {"shape": "ramp", "rate_k_per_min": 20 / 60, "from_s": 0.0, "to_s": 3600.0},
    "bench_tau_s": 120.0,
    "sensor_tau_s": 0.0,
    "sensor_urad_per_k": (1.0, 0.0),
}


def run(folder=Path("."), **changes):
    thermal = Thermal(ThermalParams(**(BASE | changes)), Site(CLOCK, np.arange(3), (1, 64), folder))
    return thermal.advance(thermal.initial_state(), 0, 3600)[1]


def air(effects):
    """Return the ambient: the camera's mount, which follows at once."""
    return effects.sensor_rad[:, 0] / 1e-6


def test_ramp_lags_by_rate_times_time_constant():
    # 20 K/h and 120 s: the lag settles at 0.666667 K, and after 5 min the body has moved
    # 1.054723 K (closed form r (t - tau (1 - exp(-t/tau)))).
    effects = run()
    np.testing.assert_allclose(air(effects)[[0, 300, 3600]], [0.0, 5 / 3, 20.0], rtol=1e-12)
    assert effects.temperature_k[300] == pytest.approx(1.054723, abs=5e-7)
    assert air(effects)[3600] - effects.temperature_k[3600] == pytest.approx(0.666667, abs=5e-7)


def test_step_reaches_its_share_at_the_time_constant():
    # 1 - 1/e = 63.212 %, and 98 % after 3.9120 time constants.
    effects = run(ambient={"shape": "step", "change_k": -10.0, "at_s": 60.0})
    np.testing.assert_array_equal(effects.temperature_k[:61], 0.0)
    np.testing.assert_array_equal(air(effects)[:60], 0.0)
    np.testing.assert_allclose(air(effects)[60:], -10.0, rtol=1e-12)
    assert effects.temperature_k[60 + 120] == pytest.approx(-6.3212, abs=5e-5)
    at = 60 + 3.9120 * 120
    assert np.interp(at, np.arange(3601), effects.temperature_k) == pytest.approx(-9.8, abs=1e-4)


def test_daily_swing_is_weaker_and_later():
    # First order in steady state: amplitude/sqrt(1 + (w tau)^2), late by atan(w tau)/w.
    effects = run(
        ambient={"shape": "daily", "amplitude_k": 4.0, "period_h": 0.25, "start_hour_h": 0.05}
    )
    w = 2 * np.pi / 900
    time_s = np.arange(3601.0)
    np.testing.assert_allclose(air(effects), 4 * np.sin(w * (time_s + 180)), atol=1e-12)
    lag_s = np.arctan(w * 120) / w
    want = 4 / np.sqrt(1 + (w * 120) ** 2) * np.sin(w * (time_s + 180 - lag_s))
    np.testing.assert_allclose(effects.temperature_k, want, atol=1e-12)


ROWS = [(-100.0, 20.0), (0.0, 23.0), (400.5, 23.0), (1000.25, 31.0), (3000.0, 18.0), (3700.0, 21.0)]


def write(folder, rows=ROWS):
    text = "\n".join(f"{t},{c}" for t, c in rows)
    (folder / "hut.csv").write_text(f"# Harrow Point\ntime_s,air_c\n{text}\n")


CSV = {
    "shape": "csv",
    "file": "hut.csv",
    "time_column": "time_s",
    "temperature_column": "air_c",
    "reference": 20.0,
}


def test_file_profile_matches_an_ode_solver(tmp_path):
    write(tmp_path)
    effects = run(tmp_path, ambient=CSV)
    times, degrees = np.array(ROWS).T
    np.testing.assert_allclose(
        air(effects), np.interp(np.arange(3601.0), times, degrees) - 20.0, atol=1e-12
    )
    want = np.empty(3601)
    body, now = [0.0], -100.0
    stops = sorted({*times[1:-1], *np.arange(0.0, 3601.0, 300.0)})
    for stop in stops:  # from corner to corner, where the air is smooth
        body = solve_ivp(
            lambda t, y: (np.interp(t, times, degrees) - 20.0 - y) / 120.0,
            (now, stop),
            body,
            method="DOP853",
            rtol=1e-11,
            atol=1e-12,
        ).y[:, -1]
        now = stop
        if stop % 300.0 == 0:
            want[int(stop)] = body[0]
    np.testing.assert_allclose(effects.temperature_k[::300], want[::300], atol=1e-8)


def test_effects_are_in_proportion_and_left_out_at_zero():
    effects = run(
        tilt_urad_per_k=(2.0, -3.0),
        gain_ppm_per_k=150.0,
        resonance_ppm_per_k=-40.0,
        sensor_tau_s=120.0,
        sensor_urad_per_k=(0.0, 5.0),
    )
    body = effects.temperature_k
    for mirror in range(3):
        np.testing.assert_allclose(effects.rest_rad[:, mirror, 0], 2e-6 * body, rtol=1e-12)
        np.testing.assert_allclose(effects.rest_rad[:, mirror, 1], -3e-6 * body, rtol=1e-12)
    np.testing.assert_allclose(effects.gain, 150e-6 * body, rtol=1e-12)
    np.testing.assert_allclose(effects.resonance, -40e-6 * body, rtol=1e-12)
    np.testing.assert_allclose(effects.sensor_rad[:, 1], 5e-6 * body, rtol=1e-12)
    bare = run(sensor_urad_per_k=(0.0, 0.0))
    assert (bare.rest_rad, bare.sensor_rad, bare.gain, bare.resonance) == (None,) * 4
    assert bare.acceleration_m_s2 is None


def test_a_file_shorter_than_the_run_is_reported_and_its_ends_hold(tmp_path):
    write(tmp_path, ROWS[1:-1])
    thermal = Thermal(
        ThermalParams(**(BASE | {"ambient": CSV})), Site(CLOCK, np.arange(3), (1, 64), tmp_path)
    )
    assert "times go from 0 to 3000 s, the run from 0 to 3600 s" in thermal.warnings[0]
    _, effects = thermal.advance(None, 3000, 600)
    np.testing.assert_allclose(air(effects), -2.0, rtol=1e-12)


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        (ROWS[:1], "hut.csv: at least two rows are needed, got 1"),
        (
            [*ROWS[:2], (0.0, 1.0)],
            "hut.csv: line 5: time must rise from row to row, got 0 s after 0 s",
        ),
        ([(0.0, "warm")], 'hut.csv: line 3: "air_c" must be a finite number, got "warm"'),
    ],
)
def test_bad_files_are_refused(tmp_path, rows, message):
    write(tmp_path, rows)
    with pytest.raises(ProfileError, match=re.escape(message)):
        run(tmp_path, ambient=CSV)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        (
            {"ambient": {"shape": "ramp", "rate_k_per_min": 1.0, "from_s": 5.0, "to_s": 5.0}},
            "to_s must be after from_s, got 5.0 and 5.0",
        ),
        ({"ambient": {"shape": "square"}}, "shape"),
        ({"bench_tau_s": -1.0}, "bench_tau_s"),
    ],
)
def test_bad_parameters_are_refused(changes, message):
    with pytest.raises(ValidationError, match=message):
        ThermalParams(**(BASE | changes))
