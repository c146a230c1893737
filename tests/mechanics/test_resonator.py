"""The sampled second-order section against published coefficients and independent solvers."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.signal import cont2discrete, lsim

from sim.mechanics.resonator import initial_state, ramp_invariant, respond

# Smallwood's ramp-invariant filter for absolute acceleration (Shock and Vibration Bulletin 51,
# 1981): A = w T/2Q, B = w T sqrt(1 - 1/4Q^2), E = exp(-A), C = E cos B, S = E sin B, S' = S/B,
# b = [1 - S', 2(S' - C), E^2 - S'], a = [1, -2C, E^2], evaluated for Q = 10.
SMALLWOOD = [
    (1000.0, 20_000.0, [0.0316584, 0.06397612, 0.00073083], [1.0, -1.87270707, 0.96907243]),
    (100.0, 1000.0, [0.09328992, 0.24453322, 0.03239129], [1.0, -1.56888693, 0.93910137]),
]


@pytest.mark.parametrize(("resonance_hz", "rate_hz", "numerator", "denominator"), SMALLWOOD)
def test_coefficients_are_smallwoods(resonance_hz, rate_hz, numerator, denominator):
    section = ramp_invariant(resonance_hz, 10.0, 1.0 / rate_hz, velocity=0.1)
    # Tolerance: half a digit of the eight decimals written above.
    np.testing.assert_allclose(section.numerator, numerator, atol=5.1e-9)
    np.testing.assert_allclose(section.denominator, denominator, atol=5.1e-9)


@pytest.mark.parametrize("quality", [0.3, 0.5, 0.8, 10.0, 300.0])
@pytest.mark.parametrize("weights", [(1.0, 0.0), (1.0, 0.25), (0.3, -2.0)])
def test_coefficients_match_the_first_order_hold_of_scipy(quality, weights):
    # scipy.signal.cont2discrete(..., "foh") is another route to the same hold.
    w = 2 * np.pi * 120.0
    displacement, velocity = weights
    top = [velocity * w, displacement * w**2] if velocity else [displacement * w**2]
    system = (top, [1.0, w / quality, w**2])
    numerator, denominator, _ = cont2discrete(system, 1e-3, method="foh")
    section = ramp_invariant(120.0, quality, 1e-3, displacement=displacement, velocity=velocity)
    np.testing.assert_allclose(section.numerator, np.ravel(numerator), atol=1e-13)
    np.testing.assert_allclose(section.denominator, denominator, atol=1e-13)


@pytest.mark.parametrize("quality", [0.3, 0.5, 8.0])
def test_response_from_rest_matches_lsim_even_with_a_sudden_first_value(quality):
    w, step_s = 2 * np.pi * 90.0, 5e-4
    signal = np.random.default_rng(3).normal(size=(400, 1))
    signal[0] = 2.0
    time_s = step_s * np.arange(len(signal))
    _, want, _ = lsim(([w**2], [1.0, w / quality, w**2]), signal[:, 0], time_s, interp=True)
    _, got = respond(ramp_invariant(90.0, quality, step_s), initial_state(1), signal)
    # Both are exact for straight lines between samples; what is left is rounding.
    np.testing.assert_allclose(got[:, 0], want, atol=1e-11)


def test_response_matches_an_ode_solver_on_straight_lines():
    w, quality, step_s = 2 * np.pi * 40.0, 5.0, 2e-3
    signal = np.random.default_rng(4).normal(size=12)
    time_s = step_s * np.arange(len(signal))
    state, want = np.zeros(2), [0.0]
    for k in range(len(signal) - 1):

        def slope(t, y, k=k):
            u = signal[k] + (signal[k + 1] - signal[k]) * (t - time_s[k]) / step_s
            return [y[1], w**2 * (u - y[0]) - w / quality * y[1]]

        span = (time_s[k], time_s[k + 1])
        state = solve_ivp(slope, span, state, method="DOP853", rtol=1e-12, atol=1e-13).y[:, -1]
        want.append(state[0])
    _, got = respond(ramp_invariant(40.0, quality, step_s), initial_state(1), signal[:, None])
    # The solver is asked for 1e-12 per step on values near one.
    np.testing.assert_allclose(got[:, 0], want, atol=1e-9)


def test_static_gain_is_one_at_a_slow_resonance():
    # The stated rounding: 1e-16/(w step)^2 is 1e-9 for 1 Hz at 20 kHz; ten times that is allowed.
    section = ramp_invariant(1.0, 0.7, 5e-5)
    assert section.numerator.sum() / section.denominator.sum() == pytest.approx(1.0, abs=1e-8)


@pytest.mark.parametrize("cuts", [[1, 2, 3, 50, 51], [100], list(range(1, 120))])
def test_blocks_change_no_bit(cuts):
    signal = np.random.default_rng(5).normal(size=(121, 3))
    section = ramp_invariant(200.0, 12.0, 1e-3, velocity=0.3)
    _, whole = respond(section, initial_state(3), signal)
    state, pieces = initial_state(3), []
    for low, high in zip([0, *cuts], [*cuts, 120], strict=True):
        before = [np.copy(part) for part in state[:2]]
        after, piece = respond(section, state, signal[low : high + 1])
        for part, copy in zip(state[:2], before, strict=True):
            np.testing.assert_array_equal(part, copy)  # the state handed in is left alone
        state = after
        pieces.append(piece if low == 0 else piece[1:])
    np.testing.assert_array_equal(np.concatenate(pieces), whole)


@pytest.mark.parametrize("name", ["resonance_hz", "quality", "step_s"])
@pytest.mark.parametrize("value", [0.0, -1.0, np.nan, np.inf])
def test_settings_must_be_positive(name, value):
    settings = {"resonance_hz": 10.0, "quality": 1.0, "step_s": 1e-3, name: value}
    with pytest.raises(ValueError, match=f"{name} must be positive and finite, got {value}"):
        ramp_invariant(**settings)


@pytest.mark.parametrize("shape", [(5,), (0, 2), (5, 3)])
def test_signals_must_fit_the_state(shape):
    with pytest.raises(ValueError, match=r"signals must be \(K \+ 1, 2\)"):
        respond(ramp_invariant(10.0, 1.0, 1e-3), initial_state(2), np.zeros(shape))
