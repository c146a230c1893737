"""Shock pulses: velocity change, ticks, direction, band, refusals."""

import re
from pathlib import Path

import numpy as np
import pytest
from pydantic import ValidationError
from scipy.integrate import quad

from sim.disturbances.shock import (
    Shock,
    ShockParams,
    pulse_shape,
    tolerance_band,
    velocity_change_m_s,
)
from sim.foundations.errors import ScenarioError
from sim.foundations.ports import Clock, Site

SITE = Site(Clock(5e-5, 20, 100), np.arange(4), (1, 64), Path("."))
PULSES = ("half_sine", "sawtooth", "trapezoid")
BASE = {
    "kind": "shock",
    "pulse": "half_sine",
    "peak_g": 15.0,
    "duration_ms": 11.0,
    "direction": "z",
    "start_ms": 10.0,
}

# Velocity change (half-sine, sawtooth, trapezoid) in m/s, computed as 2AD/pi, AD/2, 0.9AD with
# g = 9.80665 m/s^2. The pairs of peak and duration are those of IEC 60068-2-27 from memory, not
# checked against the document.
VELOCITY = [
    (5, 30, 0.94, 0.74, 1.32),
    (15, 11, 1.03, 0.81, 1.46),
    (30, 18, 3.37, 2.65, 4.77),
    (30, 11, 2.06, 1.62, 2.91),
    (30, 6, 1.12, 0.88, 1.59),
    (50, 11, 3.43, 2.70, 4.85),
    (50, 3, 0.94, 0.74, 1.32),
    (100, 11, 6.87, 5.39, 9.71),
    (100, 6, 3.75, 2.94, 5.30),
    (200, 6, 7.49, 5.88, 10.59),
    (200, 3, 3.75, 2.94, 5.30),
]


def advance(shock):
    return shock.advance(None, 0, 100)[1].acceleration_m_s2


@pytest.mark.parametrize("row", VELOCITY)
@pytest.mark.parametrize("column", range(3))
def test_velocity_change(row, column):
    peak_m_s2, duration_s = 9.80665 * row[0], 1e-3 * row[1]
    # Tolerance: half a digit of the two decimals.
    got = velocity_change_m_s(PULSES[column], peak_m_s2, duration_s)
    assert got == pytest.approx(row[2 + column], abs=0.00501)
    # The pulse at ticks of 50 us, joined by straight lines, keeps it within 2 %.
    params = ShockParams(
        **(BASE | {"pulse": PULSES[column], "peak_g": row[0], "duration_ms": row[1]})
    )
    acceleration = advance(Shock(params, SITE))[:, 2]
    assert np.trapezoid(acceleration, dx=5e-5) == pytest.approx(got, rel=0.02)


@pytest.mark.parametrize("duration_ms", [0.5, 1.0])
def test_short_half_sines_keep_their_velocity_change(duration_ms):
    # 1500 g 0.5 ms and 500 g 1 ms: 4.68 and 3.12 m/s by 2AD/pi.
    peak_g, want = {0.5: (1500.0, 4.68), 1.0: (500.0, 3.12)}[duration_ms]
    params = ShockParams(**(BASE | {"peak_g": peak_g, "duration_ms": duration_ms}))
    acceleration = advance(Shock(params, SITE))[:, 2]
    assert np.trapezoid(acceleration, dx=5e-5) == pytest.approx(want, rel=0.02)


@pytest.mark.parametrize("pulse", PULSES)
def test_velocity_change_is_the_area_of_the_shape(pulse):
    area, _ = quad(lambda t: float(pulse_shape(pulse, t)), 0.0, 1.0, points=[0.1, 0.9])
    assert velocity_change_m_s(pulse, 1.0, 1.0) == pytest.approx(area, rel=1e-10)


def test_sawtooth_peaks_at_its_end_and_then_drops():
    params = ShockParams(**(BASE | {"pulse": "sawtooth", "duration_ms": 20.0, "peak_g": 1.0}))
    acceleration = advance(Shock(params, SITE))[:, 2]
    assert acceleration.argmax() == 600  # 10 ms and 20 ms, in ticks of 50 us
    assert acceleration[600] == pytest.approx(9.80665, rel=1e-9)
    assert acceleration[601] == 0.0


@pytest.mark.parametrize(
    ("direction", "unit"),
    [
        ("x", (1, 0, 0)),
        ("+y", (0, 1, 0)),
        ("-z", (0, 0, -1)),
        ((0.0, 3.0, -4.0), (0, 0.6, -0.8)),
    ],
)
def test_direction(direction, unit):
    acceleration = advance(Shock(ShockParams(**(BASE | {"direction": direction})), SITE))
    middle = 310  # 15.5 ms: the top of the pulse
    np.testing.assert_allclose(acceleration[middle], 15 * 9.80665 * np.array(unit), rtol=1e-12)
    np.testing.assert_array_equal(acceleration[:200], 0.0)
    np.testing.assert_array_equal(acceleration[421:], 0.0)


@pytest.mark.parametrize("pulse", PULSES)
def test_nominal_pulse_is_inside_its_band_and_a_fifth_too_much_is_not(pulse):
    times_s = np.linspace(-0.005, 0.02, 501)
    lower, upper = tolerance_band(pulse, 100.0, 0.011, times_s)
    nominal = 100.0 * pulse_shape(pulse, times_s / 0.011)
    assert np.all((lower < nominal) & (nominal < upper))
    np.testing.assert_allclose(upper - lower, 40.0)
    assert np.any(1.25 * nominal > upper)


def test_a_pulse_after_the_end_is_reported():
    shock = Shock(ShockParams(**(BASE | {"start_ms": 95.0})), SITE)
    assert shock.warnings == ("shock: the pulse would end at 0.106 s, the run ends at 0.1 s",)
    assert Shock(ShockParams(**BASE), SITE).warnings == ()


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"duration_ms": 0.2}, "a half_sine of 0.2 ms is -5.2% off"),
        ({"pulse": "sawtooth", "duration_ms": 1.0}, "a sawtooth of 1 ms is +5.0% off"),
    ],
)
def test_pulses_too_short_for_the_tick_are_refused(change, message):
    with pytest.raises(ScenarioError, match=re.escape(message)):
        Shock(ShockParams(**(BASE | change)), SITE)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"direction": (0.0, 0.0, 0.0)}, "direction must not be the zero vector"),
        ({"direction": "up"}, "direction"),
        ({"pulse": "square"}, "pulse"),
        ({"peak_g": 0.0}, "peak_g"),
        ({"start_ms": -1.0}, "start_ms"),
    ],
)
def test_bad_parameters_are_refused(change, message):
    with pytest.raises(ValidationError, match=message):
        ShockParams(**(BASE | change))


def test_unknown_shapes_are_refused():
    with pytest.raises(ValueError, match='pulse must be "half_sine", .* got "square"'):
        pulse_shape("square", 0.5)
    with pytest.raises(ValueError, match="pulse must be one of .*, got 'square'"):
        velocity_change_m_s("square", 1.0, 1.0)
