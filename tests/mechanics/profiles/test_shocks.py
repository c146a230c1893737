"""Trains, falls and matched motions against closed forms and another integration."""

import numpy as np
import pytest
from scipy import signal

from sim.mechanics.profiles.free_fall import FreeFall
from sim.mechanics.profiles.profile import ProfileSite
from sim.mechanics.profiles.pulse_train import PulseTrain
from sim.mechanics.profiles.spectrum_match import SpectrumMatch, _wavelet

G = 9.80665
WORLD = ProfileSite((5, 64), 10.0)
TICK_S = 5e-5


def made(cls, kind, **settings):
    given = {"direction": "z", "start_ms": 100.0}
    return cls(cls.Params(kind=kind, **(given | settings)), WORLD)


def train(**settings):
    given = {"pulse": "half_sine", "peak_g": 15.0, "duration_ms": 11.0, "count": 4,
             "period_ms": 50.0}  # fmt: skip
    return made(PulseTrain, "pulse_train", **(given | settings))


@pytest.mark.parametrize(
    ("pulse", "one_m_s"),
    # 15 g, 11 ms: 2AD/pi, AD/2, 0.9AD (IEC 60068-2-27 prints 1.03, 0.81, 1.46; from memory).
    [("half_sine", 1.03), ("sawtooth", 0.81), ("trapezoid", 1.46)],
)
@pytest.mark.parametrize(("senses", "times"), [("same", 4), ("alternating", 0)])
def test_velocity_change_of_a_train(pulse, one_m_s, senses, times):
    found = train(pulse=pulse, senses=senses)
    time_s = TICK_S * np.arange(10_000)
    wave = found.along(time_s)
    assert np.trapezoid(wave, time_s) == pytest.approx(times * one_m_s, abs=0.01 * 4)
    for expected in found.expected:
        assert expected.low <= expected.measure(time_s, wave) <= expected.high, expected.words
    band = found.bands[0]
    inside = found.along(band.at)
    assert np.all((inside >= band.low - 1e-9) & (inside <= band.high + 1e-9))


def test_a_weak_train_is_out_of_its_tolerance():
    # What is played at three quarters of the level keeps neither peak nor velocity change.
    found = train()
    time_s = TICK_S * np.arange(10_000)
    wave = 0.75 * found.along(time_s)
    within = [e.low <= e.measure(time_s, wave) <= e.high for e in found.expected[:2]]
    assert within == [False, False]


def test_pulses_may_not_overlap():
    with pytest.raises(ValueError, match="at least duration_ms"):
        train(period_ms=10.0)


def test_a_fall_of_one_metre():
    # sqrt(2 g h) = 4.42869 m/s after 0.451600 s, exact for g = 9.80665.
    found = made(FreeFall, "free_fall", height_mm=1000.0, impact_ms=10.0, restitution=0.4)
    assert found.conditions["impact_speed_m_s"] == pytest.approx(4.428690, rel=1e-6)
    assert found.conditions["fall_ms"] == pytest.approx(451.600, rel=1e-5)
    time_s = 1e-5 * np.arange(300_000)
    wave = found.along(time_s)
    speed = np.cumsum(wave) * 1e-5
    # The speed after the first impact is 0.4 of that before it; at the end it is at rest.
    after = int((0.1 + 0.4516 + 0.010) / 1e-5) + 2
    assert speed[after] == pytest.approx(0.4 * 4.42869, rel=2e-3)
    assert abs(speed[-1]) < 5e-3
    # First rebound: 2 e v/g of flight.
    flight_s = np.count_nonzero(wave[after : after + 60_000] < 0) * 1e-5
    assert flight_s >= 2 * 0.4 * 4.42869 / G - 1e-4
    for expected in found.expected:
        assert expected.low <= expected.measure(time_s, wave) <= expected.high, expected.words


def other_spectrum(wave, rate_hz, frequency_hz, quality):
    """Absolute acceleration of a resonator, sampled by scipy for straight lines between samples."""
    turn = 2 * np.pi * frequency_hz
    system = ([turn / quality, turn**2], [1.0, turn / quality, turn**2])
    b, a, _ = signal.cont2discrete(system, 1 / rate_hz, method="foh")
    padded = np.concatenate([wave, np.zeros(int(rate_hz / frequency_hz) + 1)])
    return np.abs(signal.lfilter(b.ravel(), a, padded)).max()


def test_matched_motion_follows_the_required_spectrum():
    required = [(1.0, 0.5), (2.0, 2.0), (5.0, 2.0), (15.0, 0.8), (50.0, 0.8)]
    found = made(
        SpectrumMatch, "spectrum_match", start_ms=0.0, quality=25.0, duration_ms=8000.0,
        required=[{"hz": f, "g": g} for f, g in required],
    )  # fmt: skip
    rate_hz = 2000.0
    wave = found.along(np.arange(16_001) / rate_hz)
    for f in np.geomspace(1.0, 50.0, 60):
        wanted = G * np.exp(np.interp(np.log(f), *np.log(np.array(required)).T))
        over_db = 20 * np.log10(other_spectrum(wave, rate_hz, f, 25.0) / wanted)
        # Between the checked frequencies, 24 to the octave, it may sag a little.
        assert -0.3 < over_db < 6.0, (f, over_db)
    # No velocity and no displacement is left behind.
    velocity = np.cumsum(wave) / rate_hz
    assert abs(velocity[-1]) < 1e-6 * np.abs(velocity).max() + 1e-8
    displacement = np.cumsum(velocity) / rate_hz
    assert abs(displacement[-1]) < 1e-3 * np.abs(displacement).max()
    left = found.expected[0].measure(np.arange(16_001) / rate_hz, wave)
    assert left == pytest.approx(0, abs=1e-6)


def test_a_wavelet_of_an_odd_number_of_half_sines_comes_back():
    # Even n leaves A (1/a1^2 - 1/a2^2) of displacement with a = 2 pi f (1 -+ 1/n); n = 4, 10 Hz,
    # 1 m/s^2: 0.288 mm. Odd n leaves none (exact integrals).
    time_s = np.arange(200_001) * 1e-5
    wave = _wavelet(time_s, 10.0, 1.0, 0.0, 0.0)
    velocity = np.cumsum(wave) * 1e-5
    assert abs(velocity[-1]) < 1e-9
    assert abs(velocity.sum() * 1e-5) < 1e-8


def test_too_short_for_its_lowest_frequency():
    with pytest.raises(ValueError, match="one and a half periods"):
        made(SpectrumMatch, "spectrum_match", quality=10.0, duration_ms=1000.0,
             required=[{"hz": 1.0, "g": 1.0}, {"hz": 20.0, "g": 1.0}])  # fmt: skip
