"""The camera's bracket: static shift, resonance, exactness between ticks, blocks."""

import numpy as np
import pytest
from pydantic import ValidationError
from scipy.signal import lsim

from sim.mechanics.bracket import Bracket, BracketParams

TICK_S = 5e-5
PARAMS = BracketParams(
    resonance_hz=180.0,
    quality=25.0,
    sensitivity_urad_per_m_s2=((1.5, 0.2, 0.0), (0.1, 2.5, -0.4)),
)
STATIC = 1e-6 * np.array(PARAMS.sensitivity_urad_per_m_s2)


def test_constant_acceleration_ends_at_the_static_shift():
    bracket = Bracket(PARAMS, TICK_S)
    acceleration = np.tile([1.0, -2.0, 3.0], (40_001, 1))
    _, shift = bracket.advance(bracket.initial_state(), acceleration)
    # Free vibration has decayed by exp(-w t/2Q) = exp(-45) after 2 s; rounding is left.
    np.testing.assert_allclose(shift[-1], STATIC @ [1.0, -2.0, 3.0], rtol=1e-9)


@pytest.mark.parametrize("frequency_hz", [20.0, 179.0, 180.0, 400.0])
def test_steady_sine_matches_the_closed_form(frequency_hz):
    # Textbook: H = 1/(1 - r^2 + j r/Q), r = f/f0.
    bracket = Bracket(PARAMS, TICK_S)
    time_s = TICK_S * np.arange(60_001)
    wave = np.exp(2j * np.pi * frequency_hz * time_s)
    direction = np.array([0.3, 1.0, -0.5])
    parts = []
    for part in (wave.real, wave.imag):
        _, shift = bracket.advance(bracket.initial_state(), part[:, None] * direction)
        parts.append(shift)
    ratio = frequency_hz / 180.0
    gain = 1.0 / (1.0 - ratio**2 + 1j * ratio / 25.0)
    want = gain * wave[-2000:, None] * (STATIC @ direction)
    got = (parts[0] + 1j * parts[1])[-2000:]
    # Straight lines between ticks weaken the sine by sinc^2(f tick): 1.3e-4 at 400 Hz.
    assert (
        np.abs(got / want - 1.0).max() < 1.05 * (1.0 - np.sinc(frequency_hz * TICK_S) ** 2) + 1e-8
    )


def test_each_axis_matches_lsim_between_ticks():
    bracket = Bracket(PARAMS, TICK_S)
    acceleration = np.random.default_rng(0).normal(size=(3000, 3))
    _, shift = bracket.advance(bracket.initial_state(), acceleration)
    w = 2 * np.pi * 180.0
    time_s = TICK_S * np.arange(3000)
    for axis in range(2):
        push = acceleration @ STATIC[axis]
        _, want, _ = lsim(([w**2], [1.0, w / 25.0, w**2]), push, time_s, interp=True)
        np.testing.assert_allclose(shift[:, axis], want, atol=1e-9 * np.abs(want).max())


def test_blocks_change_no_bit_of_the_section():
    bracket = Bracket(PARAMS, TICK_S)
    acceleration = np.random.default_rng(1).normal(size=(201, 3))
    _, whole = bracket.advance(bracket.initial_state(), acceleration)
    state, _ = bracket.advance(bracket.initial_state(), acceleration[:61])
    _, rest = bracket.advance(state, acceleration[60:])
    # The mixing of axes is a matrix product, whose last bit may hang on the block's length.
    np.testing.assert_allclose(rest, whole[60:], rtol=1e-12, atol=1e-20)


def test_acceleration_must_have_three_axes():
    bracket = Bracket(PARAMS, TICK_S)
    with pytest.raises(ValueError, match=r"acceleration_m_s2 must be \(K \+ 1, 3\), got \(4, 2\)"):
        bracket.advance(bracket.initial_state(), np.zeros((4, 2)))


@pytest.mark.parametrize("change", [{"quality": 0.0}, {"resonance_hz": -1.0}, {"mass_kg": 1.0}])
def test_parameters_are_checked(change):
    with pytest.raises(ValidationError, match=next(iter(change))):
        PARAMS.replace(**change)
