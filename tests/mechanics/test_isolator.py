"""The mounts: transmissibility, sway against clearance, blocks."""

import numpy as np
import pytest
from scipy.signal import lsim

from sim.mechanics.isolator import Isolator, IsolatorParams

TICK_S = 5e-5
PARAMS = IsolatorParams(
    resonance_hz=(12.0, 12.0, 9.0), quality=(3.0, 4.0, 0.4), clearance_mm=(5.0, 5.0, 2.0)
)


def test_transmissibility_has_the_textbook_landmarks():
    isolator = Isolator(PARAMS, TICK_S)
    crossing = np.abs(isolator.transmissibility(np.sqrt(2.0) * np.array([12.0, 9.0])))
    # Exact for every damping: one at sqrt(2) f0; sqrt(1 + Q^2) at f0.
    np.testing.assert_allclose([crossing[0, 0], crossing[0, 1], crossing[1, 2]], 1.0, rtol=1e-12)
    assert abs(isolator.transmissibility(12.0)[0]) == pytest.approx(np.sqrt(1 + 3.0**2), rel=1e-12)


@pytest.mark.parametrize("frequency_hz", [3.0, 12.0, 60.0])
def test_steady_sine_matches_transmissibility_and_sway(frequency_hz):
    isolator = Isolator(PARAMS, TICK_S)
    time_s = TICK_S * np.arange(40_001)
    wave = np.exp(2j * np.pi * frequency_hz * time_s)
    results = [
        isolator.advance(isolator.initial_state(), np.outer(part, np.ones(3)))[1:]
        for part in (wave.real, wave.imag)
    ]
    core, sway = (a[-1] + 1j * b[-1] for a, b in zip(*results, strict=True))
    want = isolator.transmissibility(frequency_hz) * wave[-1]
    # After 2 s the start has decayed to exp(-w t/2Q), 7e-9 at Q = 4; sinc^2 of 60 Hz is 3e-5.
    np.testing.assert_allclose(core, want, rtol=1e-4)
    # What moves the core: its absolute acceleration is chassis plus that of the sway.
    moved = wave[-1] - (2 * np.pi * frequency_hz) ** 2 * sway
    np.testing.assert_allclose(core, moved, rtol=1e-3, atol=2e-4)


def test_core_and_sway_match_lsim():
    isolator = Isolator(PARAMS, TICK_S)
    chassis = np.random.default_rng(0).normal(size=(4000, 3))
    _, core, sway = isolator.advance(isolator.initial_state(), chassis)
    time_s = TICK_S * np.arange(4000)
    for axis, (f_hz, q) in enumerate(zip(PARAMS.resonance_hz, PARAMS.quality, strict=True)):
        w = 2 * np.pi * f_hz
        below = [1.0, w / q, w**2]
        _, want, _ = lsim(([w / q, w**2], below), chassis[:, axis], time_s, interp=True)
        np.testing.assert_allclose(core[:, axis], want, atol=1e-8 * np.abs(want).max())
        _, want, _ = lsim(([-1.0], below), chassis[:, axis], time_s, interp=True)
        np.testing.assert_allclose(sway[:, axis], want, atol=1e-7 * np.abs(want).max())


def test_blocks_change_no_bit():
    isolator = Isolator(PARAMS, TICK_S)
    chassis = np.random.default_rng(1).normal(size=(301, 3))
    _, core, sway = isolator.advance(isolator.initial_state(), chassis)
    state, _, _ = isolator.advance(isolator.initial_state(), chassis[:41])
    _, core_rest, sway_rest = isolator.advance(state, chassis[40:])
    np.testing.assert_array_equal(core_rest, core[40:])
    np.testing.assert_array_equal(sway_rest, sway[40:])


def test_chassis_acceleration_must_have_three_axes():
    isolator = Isolator(PARAMS, TICK_S)
    with pytest.raises(ValueError, match=r"chassis_m_s2 must be \(K \+ 1, 3\), got \(4, 1\)"):
        isolator.advance(isolator.initial_state(), np.zeros((4, 1)))
