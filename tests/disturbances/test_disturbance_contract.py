"""What every disturbance must do, run over the whole family."""

import copy
import typing
from pathlib import Path

import numpy as np
import pytest

from sim.disturbances import DISTURBANCES
from sim.foundations.params import Block
from sim.foundations.ports import Clock, Effects, Site

CLOCK = Clock(tick_s=5e-5, ticks_per_frame=20, n_frames=60)
IDS = np.array([3, 8, 95, 96, 191])
PROFILES = Path(__file__).parents[2] / "scenarios" / "profiles"

SETTINGS: dict[str, dict[str, typing.Any]] = {
    "ageing": {"rate_urad_per_1000_h": 30.0, "uncorrected_h": 500.0},
    "charging": {
        "amplitude_urad": 40.0,
        "tau_s": 1e6,
        "beta": 0.5,
        "uncorrected_h": 0.01,
    },
    "ambient_vibration": {
        "direction": "y",
        "tones": [{"hz": 50.0, "peak_g": 0.01}],
        "density": [{"hz": 10.0, "g2_per_hz": 1e-6}, {"hz": 200.0, "db_per_octave": -3.0}],
    },
    "drift": {"sigma_urad": 20.0, "correlation_s": 0.3, "start": "stationary"},
    "free_fall": {"direction": "z", "start_ms": 2.0, "height_mm": 0.5, "impact_ms": 5.0},
    "pulse_train": {
        "direction": (1.0, 1.0, 0.0),
        "start_ms": 3.0,
        "pulse": "sawtooth",
        "peak_g": 2.0,
        "duration_ms": 6.0,
        "count": 3,
        "period_ms": 9.0,
        "senses": "alternating",
    },
    "random_vibration": {
        "direction": "-x",
        "start_ms": 5.0,
        "density": [{"hz": 20.0, "g2_per_hz": 1e-3}, {"hz": 500.0, "g2_per_hz": 1e-3}],
        "duration_ms": 50.0,
        "clip_sigma": 3.0,
        "ramp_ms": 5.0,
    },
    "creep": {
        "of": "hinges", "rate_urad_per_decade": 90.0, "onset_h": 1e-3, "uncorrected_h": 500.0,
    },
    "light_heat": {
        "power_mw": 100.0, "absorbed_pct": 2.0, "resistance_k_per_mw": 1.5, "tau_ms": 15.0,
        "tilt_urad_per_k": (4.0, 1.0), "resonance_ppm_per_k": -20.0,
    },
    "random_walk": {"rate_urad_per_sqrt_s": 5.0},
    "record": {
        "file": "ridgecrest_2019_ciccc.csv",
        "units": "g",
        "time_column": "time_s",
        "columns": ("east_g", "north_g", "up_g"),
        "start_at_ms": 7.3,
        "from_s": 38.5,
        "to_s": 38.6,
        "remove_mean": False,
    },
    "shock": {
        "pulse": "half_sine",
        "peak_g": 15.0,
        "duration_ms": 11.0,
        "direction": "-z",
        "start_ms": 5.01,
    },
    "sine_dwell": {
        "direction": "x", "start_ms": 1.0, "frequency_hz": 90.0, "peak_g": 0.2, "duration_ms": 40.0,
    },
    "sine_on_random": {
        "direction": "z",
        "start_ms": 0.0,
        "tones": [{"hz": 120.0, "peak_g": 0.5}],
        "density": [{"hz": 20.0, "g2_per_hz": 1e-3}, {"hz": 500.0, "g2_per_hz": 1e-3}],
        "duration_ms": 55.0,
    },
    "sine_sweep": {
        "direction": "y", "start_ms": 0.0, "from_hz": 20.0, "to_hz": 400.0, "rate": 6000.0,
        "peak_g": 1.0, "displacement_mm": 0.2,
    },
    "spectrum_match": {
        "direction": "x",
        "start_ms": 2.0,
        "required": [{"hz": 50.0, "g": 1.0}, {"hz": 400.0, "g": 3.0}],
        "quality": 10.0,
        "duration_ms": 50.0,
    },
    "softening": {"resonance_ppm_per_year": -400.0, "gain_ppm_per_year": 200.0},
    "thermal": {
        "ambient": {"shape": "ramp", "rate_k_per_min": 60.0, "from_s": 0.0123, "to_s": 0.04},
        "bench_tau_s": 0.02,
        "sensor_tau_s": 0.0,
        "tilt_urad_per_k": (1.0, -2.0),
        "gain_ppm_per_k": 100.0,
        "resonance_ppm_per_k": -30.0,
        "sensor_urad_per_k": (0.5, 0.0),
    },
}


def make(kind, *, ids=IDS, seed=11):
    cls = DISTURBANCES[kind]
    site = Site(CLOCK, ids, (seed, 64), PROFILES, age_h=1000.0)
    return cls(cls.Params(kind=kind, **SETTINGS[kind]), site)


@pytest.fixture(params=sorted(SETTINGS))
def kind(request):
    return request.param


def stitched(disturbance, cuts):
    """Run blocks between the cuts and drop each block's first edge but the first."""
    state, parts = disturbance.initial_state(), []
    for low, high in zip(cuts[:-1], cuts[1:], strict=True):
        before = copy.deepcopy(state)
        after, effects = disturbance.advance(state, low, high - low)
        np.testing.assert_equal(state, before)  # the state handed in is left alone
        state = after
        parts.append([None if e is None else e if low == 0 else e[1:] for e in effects])
    return [
        None if column[0] is None else np.concatenate(column) for column in zip(*parts, strict=True)
    ]


def test_settings_cover_the_family_from_here():
    assert set(SETTINGS) <= set(DISTURBANCES)


def test_every_kind_names_itself():
    for name, cls in DISTURBANCES.items():
        assert issubclass(cls.Params, Block)
        assert typing.get_args(cls.Params.model_fields["kind"].annotation) == (name,)


def test_shapes_are_those_of_the_port(kind):
    disturbance = make(kind)
    _, effects = disturbance.advance(disturbance.initial_state(), 0, 7)
    shapes = Effects((141, 3), (8, 5, 2), (8, 2), (8,), (8,), (8,))
    present = 0
    for name, shape, effect in zip(Effects._fields, shapes, effects, strict=True):
        if effect is not None:
            present += 1
            assert effect.shape == shape, name
            assert effect.dtype == np.float64 and np.isfinite(effect).all(), name
            assert np.abs(effect).max() < 1e4
    assert present


@pytest.mark.parametrize("cuts", [[0, 1, 2, 3, 60], [0, 17, 34, 60], list(range(61))])
def test_blocks_change_no_bit(kind, cuts):
    whole = stitched(make(kind), [0, 60])
    for got, want in zip(stitched(make(kind), cuts), whole, strict=True):
        np.testing.assert_array_equal(got, want)


def test_blocks_share_their_edge(kind):
    disturbance = make(kind)
    state, first = disturbance.advance(disturbance.initial_state(), 0, 30)
    _, second = disturbance.advance(state, 30, 30)
    for left, right in zip(first, second, strict=True):
        if left is not None:
            np.testing.assert_array_equal(left[-1], right[0])


def test_something_happens_in_these_settings(kind):
    effects = stitched(make(kind), [0, 60])
    assert any(e is not None and np.abs(e).max() > 0 for e in effects)


def test_mirrors_keep_their_numbers(kind):
    # A mirror simulated alone meets what it meets in the fleet.
    whole, alone = stitched(make(kind), [0, 60]), stitched(make(kind, ids=IDS[3:4]), [0, 60])
    rest, rest_alone = whole[1], alone[1]
    if rest is not None:
        np.testing.assert_array_equal(rest[:, 3:4], rest_alone)


def test_warnings_are_lines_of_text(kind):
    warnings = make(kind).warnings
    assert isinstance(warnings, tuple) and all(isinstance(line, str) for line in warnings)


@pytest.mark.parametrize("kind", ["ageing", "charging", "drift", "random_walk"])
def test_seed_decides_what_is_random(kind):
    one, same, other = (stitched(make(kind, seed=seed), [0, 60])[1] for seed in (1, 1, 2))
    np.testing.assert_array_equal(one, same)
    assert not np.array_equal(one, other)
