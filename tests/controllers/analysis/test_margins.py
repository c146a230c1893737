"""Margins read from frequency responses, against published rules and closed forms."""

import math

import numpy as np
import pytest

from controllers.analysis import margins
from controllers.analysis.margins import Margins, crossing
from sim.foundations.ports import Array

W = np.geomspace(1e-3, 40.0, 20001)
"""rad/s; loops below are written for a delay of 1 s, so neighbours differ by 2.3 degrees at most.
"""


def of(gain: Array) -> Margins:
    return margins(W / (2 * math.pi), gain)


@pytest.mark.parametrize(
    ("kl", "phase_deg", "gain", "ms", "at", "one"),
    [
        (0.2, 78.5408, 7.8540, 1.19417, 0.898, 0.31893),
        (0.25, 75.6761, 6.2832, 1.24889, 0.952, 0.35736),
        (0.3, 72.8113, 5.2360, 1.30731, 0.999, 0.39233),
        (0.5, 61.3521, 3.1416, 1.59049, 1.144, 0.51111),
        (math.pi / 4, 45.0, 2.0, 2.23221, 1.293, 0.64941),
        (1.0, 32.7042, 1.5708, 3.12931, 1.382, 0.74085),
    ],
)
def test_integrator_with_delay(
    kl: float, phase_deg: float, gain: float, ms: float, at: float, one: float
) -> None:
    # Exact: phase margin pi/2 - KL, gain margin pi/(2KL), delay margin over L (pi/2 - KL)/(KL);
    # peak of |S| by a fine search. Printed digits; the grid's own error is below 1e-5.
    got = of(kl * np.exp(-1j * W) / (1j * W))
    assert np.degrees(got.phase_rad) == pytest.approx(phase_deg, abs=1e-3)
    assert got.gain == pytest.approx(gain, rel=2e-5)
    assert got.delay_s == pytest.approx((math.pi / 2 - kl) / kl, rel=1e-4)
    assert got.ms == pytest.approx(ms, rel=1e-5)
    assert got.ms_hz * 2 * math.pi == pytest.approx(at, abs=1e-3)
    assert got.rejection_to_hz * 2 * math.pi == pytest.approx(one, abs=1e-5)
    assert got.crossover_hz * 2 * math.pi == pytest.approx(kl, rel=1e-5)
    assert np.isnan(got.gain_down)


def test_simc_settings_have_their_published_margins() -> None:
    # Source: S. Skogestad, J. Process Control 13 (2003) 291: the table of robustness margins,
    # digits 3.14, 61.4 deg, 1.59, 2.14 and 2.96, 46.9 deg, 1.70, 1.59 (from memory; the longer
    # digits here are derived). Tolerance 0.5 % of the printed ones.
    first = of(0.5 * np.exp(-1j * W) / (1j * W))  # lag cancelled by the integral time
    assert first.gain == pytest.approx(3.14, rel=5e-3)
    assert np.degrees(first.phase_rad) == pytest.approx(61.4, rel=5e-3)
    assert first.ms == pytest.approx(1.59, rel=5e-3)
    assert first.delay_s == pytest.approx(2.14, rel=5e-3)
    second = of(0.5 * (1 + 1 / (8j * W)) * np.exp(-1j * W) / (1j * W))
    assert second.gain == pytest.approx(2.9634, rel=1e-4)
    assert np.degrees(second.phase_rad) == pytest.approx(46.864, abs=2e-3)
    assert second.ms == pytest.approx(1.7035, rel=1e-4)
    assert second.delay_s == pytest.approx(1.5896, rel=1e-4)
    assert second.crossover_hz * 2 * math.pi == pytest.approx(0.5145, abs=1e-4)
    # This loop starts with a double integral: its gain may also not fall without limit, but it has
    # no lower crossing, since the phase comes from -180 degrees and stays above.
    assert np.isnan(second.gain_down)


@pytest.mark.parametrize(
    ("kp", "ti", "td", "gain", "phase_deg", "ms"),
    [
        (0.5, math.inf, 0.0, 2.0, 45.0, 2.2322),
        (0.45, 4 / 1.2, 0.0, 1.8680, 24.916, 2.8310),
        (0.6, 2.0, 0.5, 1.7923, 32.613, 2.2916),
    ],
)
def test_ultimate_gain_rules(
    kp: float, ti: float, td: float, gain: float, phase_deg: float, ms: float
) -> None:
    # Rules: J. G. Ziegler and N. B. Nichols, Trans. ASME 64 (1942) 759 (from memory); margins on
    # exp(-s)/s (ultimate gain pi/2, period 4 s) derived, to the digits given.
    integral = 1 / (1j * W * ti) if math.isfinite(ti) else 0.0
    c = kp * math.pi / 2 * (1 + integral + 1j * W * td)
    got = of(c * np.exp(-1j * W) / (1j * W))
    assert got.gain == pytest.approx(gain, rel=1e-4)
    assert np.degrees(got.phase_rad) == pytest.approx(phase_deg, abs=3e-3)
    assert got.ms == pytest.approx(ms, rel=1e-4)


def test_a_loop_that_needs_its_gain_has_a_lower_margin() -> None:
    s = 1j * W
    cubic = 60 * (s + 0.5) ** 2 / s**3 * np.exp(-0.05 * s) / 10
    down = of(cubic)
    # Exact without delay: s^3 + k (s + 1/2)^2 = 0 is stable for k > 1/4 (Routh: k k > k/4), so the
    # factor on k = 6 is 1/24; the delay of 0.05 s shifts the crossing at 0.5 rad/s by a little.
    assert down.gain_down == pytest.approx(1 / 24, rel=0.06)
    assert down.gain > 1


def test_no_loop_no_margins() -> None:
    got = of(np.zeros(len(W)) + 0j)
    assert np.isnan([got.gain, got.gain_down, got.phase_rad, got.delay_s, got.bandwidth_hz]).all()
    assert got.ms == 1.0


@pytest.mark.parametrize("d", [1, 2, 3, 4, 5])
def test_discrete_integrator(d: int) -> None:
    # Exact: z^d - z^(d-1) + K = 0 is stable up to 2 sin(pi/(2(2d-1))); for d = 1 the crossing is
    # half the frame rate itself. Phase margin pi/2 - (d - 1/2) 2 asin(K/2).
    f = np.linspace(0, 0.5, 8001)[1:]
    z = np.exp(2j * np.pi * f)
    got = margins(f, 0.25 * z**-d / (1 - 1 / z))
    assert got.gain == pytest.approx(2 * math.sin(math.pi / (2 * (2 * d - 1))) / 0.25, rel=1e-5)
    expected = math.pi / 2 - (d - 0.5) * 2 * math.asin(0.125)
    assert got.phase_rad == pytest.approx(expected, abs=1e-5)


def test_the_smallest_of_several_crossings_counts() -> None:
    # A resonance makes |L| cross 1 three times; python-control lists all phase margins.
    import control

    system = control.tf([0.3], [1, 0]) * control.tf([4.0], [1, 0.04, 4.0])
    gain = system(1j * W)
    _, phases, _, _, _, _ = control.stability_margins(system, returnall=True)
    got = of(np.asarray(gain))
    nearest = min(abs((p + 180) % 360 - 180) for p in phases)
    assert len(phases) == 3
    assert np.degrees(got.phase_rad) == pytest.approx(nearest, abs=0.05)


def test_frequencies_must_rise() -> None:
    with pytest.raises(ValueError, match="frequency_hz must rise"):
        margins(np.array([1.0, 1.0]), np.array([1j, 1j]))


def test_where_margins_are_read_is_where_they_are() -> None:
    # Second way: the margins of the whole population, read without saying where.
    f = np.geomspace(1.0, 500.0, 3000)
    s = 2j * np.pi * f
    for resonance_hz, quality, gain in ((120.0, 5.0, 40.0), (80.0, 1.2, 30.0), (60.0, 1.5, 55.0)):
        w = 2 * np.pi * resonance_hz
        loop = gain / s * w**2 / (s**2 + w / quality * s + w**2) * np.exp(-s * 1e-3)
        whole, here = margins(f, loop[:, None]), crossing(f, loop)
        assert here.gain == pytest.approx(whole.gain[0], rel=1e-9, nan_ok=True)
        assert here.phase_rad is not None and here.phase_hz is not None
        assert abs(here.phase_rad) == pytest.approx(whole.phase_rad[0], rel=1e-9)
        # The definition, evaluated there: |L| = 1, and the phase that is left to -180 degrees.
        at = np.interp(here.phase_hz, f, np.abs(loop))
        assert at == pytest.approx(1.0, abs=2e-3)
        if here.gain_hz is not None and here.gain is not None and here.gain_hz < f[-1]:
            real = np.interp(here.gain_hz, f, loop.real)
            assert -1.0 / real == pytest.approx(here.gain, rel=1e-3)
            assert abs(np.interp(here.gain_hz, f, loop.imag)) < 1e-3 * abs(real)


def test_margins_at_the_end_of_the_grid_and_none() -> None:
    # 1 / (z - 1/2) is real at half the frame rate alone: -2/3 there, exactly.
    f = np.linspace(0, 0.5, 801)[1:]
    z = np.exp(2j * np.pi * f)
    here = crossing(f, 0.25 / (z - 0.5))
    assert (here.gain_hz, here.gain) == (0.5, pytest.approx(6.0, rel=1e-12))
    # A gain that ends at zero, or on the positive side, crosses no negative real axis.
    for end in (0.0, 0.1):
        none = crossing(np.array([1.0, 2.0, 3.0]), np.array([1 - 2j, 0.5 - 0.5j, end + 0j]))
        assert (none.gain_hz, none.gain) == (None, None)
    quiet = crossing(np.array([1.0, 2.0]), np.array([0.1 - 0.1j, 0.05 - 0.05j]))
    assert quiet == (None, None, None, None)
