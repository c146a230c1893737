"""Sweeps, dwells and random vibration against handbook figures and independent estimates."""

import numpy as np
import pytest
from scipy import integrate, signal, stats

from sim.mechanics.profiles.ambient_vibration import AmbientVibration
from sim.mechanics.profiles.density import Density, DensityPoint, Noise, kept_by_clipping
from sim.mechanics.profiles.profile import ProfileSite
from sim.mechanics.profiles.random_vibration import RandomVibration
from sim.mechanics.profiles.sine_dwell import SineDwell
from sim.mechanics.profiles.sine_on_random import SineOnRandom
from sim.mechanics.profiles.sine_sweep import SineSweep
from sim.mechanics.resonator import initial_state, ramp_invariant, respond

G = 9.80665
WORLD = ProfileSite((5, 64), 100.0)


def made(cls, kind, **settings):
    return cls(cls.Params(kind=kind, direction="x", **settings), WORLD)


def corners(*pairs):
    return [DensityPoint(hz=f, g2_per_hz=p) for f, p in pairs]


def sweep(**settings):
    given = {"start_ms": 0.0, "peak_g": 1 / G, "rate": 1.0, "from_hz": 10.0, "to_hz": 150.0}
    return made(SineSweep, "sine_sweep", **(given | settings))


@pytest.mark.parametrize(
    ("settings", "minutes", "cycles"),
    [
        # f = f1 2^(rt): log2(f2/f1)/r minutes and (f2 - f1) 60/(r ln 2) cycles, exact.
        ({"from_hz": 5.0, "to_hz": 100.0, "rate": 0.1}, 43.2193, 82_233.6),
        ({}, 3.90689, 12_118.6),
        ({"to_hz": 500.0}, 5.64386, None),
        # decades: log10(15) minutes, (f2 - f1) 60/ln 10; linear: mean frequency times time.
        ({"rate_unit": "decade/min"}, np.log10(15.0), 140 * 60 / np.log(10.0)),
        ({"rate_unit": "Hz/min", "rate": 70.0}, 2.0, 80.0 * 120.0),
        ({"from_hz": 150.0, "to_hz": 10.0}, 3.90689, 12_118.6),
        ({"there_and_back": True}, 2 * 3.90689, 2 * 12_118.6),
    ],
)
def test_length_and_cycles_of_a_sweep(settings, minutes, cycles):
    found = sweep(**settings)
    assert found.span.to_s / 60.0 == pytest.approx(minutes, rel=2e-6)
    if cycles is not None:
        assert found.cycles == pytest.approx(cycles, rel=1e-5)


@pytest.mark.parametrize(
    ("mm", "m_s2", "hz"),
    # sqrt(a/d)/(2 pi), exact.
    [(0.3, 1.0, 9.1888), (1.5, 5.0, 9.1888), (0.35, 50.0, 60.155), (0.075, 10.0, 58.115)],
)
def test_crossover(mm, m_s2, hz):
    found = sweep(displacement_mm=mm, peak_g=m_s2 / G)
    assert found.crossover_hz == pytest.approx(hz, rel=1e-5)


def test_a_sweep_moves_by_the_stated_displacement_and_acceleration():
    # Independent: the analytic signal's instantaneous frequency and amplitude.
    found = sweep(rate=30.0, displacement_mm=0.3, peak_g=2.0, there_and_back=True)
    time_s = np.arange(0.0, found.span.to_s, 1e-4)
    envelope = signal.hilbert(found.along(time_s))
    phase = np.unwrap(np.angle(envelope))
    hz = np.gradient(phase, time_s) / (2 * np.pi)
    one_s = found.span.to_s / 2
    for at_s, where in ((0.3 * one_s, 0.3), (0.7 * one_s, 0.7), (1.3 * one_s, 0.7)):
        i = int(at_s / 1e-4)
        want = 10.0 * 15.0**where
        assert hz[i - 400 : i + 400].mean() == pytest.approx(want, rel=0.02)
        amplitude = min(0.3e-3 * (2 * np.pi * want) ** 2, 2.0 * G)
        assert np.abs(envelope[i - 400 : i + 400]).mean() == pytest.approx(amplitude, rel=0.03)


def test_a_sweep_counts_its_own_cycles_when_played():
    found = sweep(rate=60.0)
    time_s = np.arange(0.0, found.span.to_s, 5e-5)
    for expected in found.expected:
        assert expected.low <= expected.measure(time_s, found.along(time_s)) <= expected.high


def test_a_dwell_of_a_tenth_of_g_at_5_hz_moves_a_millimetre():
    # a/(2 pi f)^2: 0.9936 mm, exact.
    found = made(SineDwell, "sine_dwell", start_ms=0.0, frequency_hz=5.0, peak_g=0.1,
                 duration_ms=2000.0)  # fmt: skip
    assert found.conditions["displacement_mm"] == pytest.approx(0.9936, rel=1e-4)


@pytest.mark.parametrize(
    ("pairs", "grms"),
    [
        # NASA-STD-7001 workmanship level: published as 6.8 g rms (corners from memory).
        ([(20, 0.01), (80, 0.04), (500, 0.04), (2000, 0.01)], 6.7842),
        # GSFC-STD-7000 qualification and acceptance: 14.1 and 10.0 (from memory).
        ([(20, 0.026), (50, 0.16), (800, 0.16), (2000, 0.026)], 14.1356),
        ([(20, 0.013), (50, 0.08), (800, 0.08), (2000, 0.013)], 9.9954),
        ([(5, 0.01), (500, 0.01)], 2.22486),  # sqrt(0.01 x 495), exact
    ],
)
def test_rms_of_a_density(pairs, grms):
    density = Density(corners(*pairs))
    assert density.rms_m_s2 / G == pytest.approx(grms, rel=1e-4)
    area = integrate.quad(density.at, density.hz[0], density.hz[-1],
                          points=list(density.hz[1:-1]), limit=400)[0]  # fmt: skip
    assert density.rms_m_s2 == pytest.approx(np.sqrt(area), rel=1e-6)


def test_slope_in_decibels_to_the_octave():
    # 5 to 20 Hz flat at 0.01, then -3 dB/octave to 200 Hz: 0.78252 g by quadrature. -3 dB/octave is
    # a power of -0.996578, not -1.
    points = [*corners((5, 0.01), (20, 0.01)), DensityPoint(hz=200, db_per_octave=-3.0)]
    density = Density(points)
    assert density.rms_m_s2 / G == pytest.approx(0.78252, rel=1e-5)
    assert density.at(40.0) / density.at(20.0) == pytest.approx(10**-0.3, rel=1e-12)


def test_noise_has_its_density_and_is_gaussian():
    # Welch's estimate, Hann, half overlap, K segments: relative deviation of a bin
    # sqrt(19/(18 K)) (Welch 1967, with the correlation 1/6 of neighbours); the mean over bins is
    # held to four of its own.
    density = Density(corners((20, 0.026), (50, 0.16), (800, 0.16), (2000, 0.026)))
    noise = Noise(density, 20.0, (1, 64), None)
    x = noise.samples[: int(20.0 * noise.rate_hz)]
    segment = 4096
    hz, found = signal.welch(x, noise.rate_hz, nperseg=segment)
    flat = (hz > 80) & (hz < 750)
    segments = 2 * len(x) // segment - 1
    deviation = np.sqrt(19 / (18 * segments))
    ratio = found[flat] / density.at(hz[flat])
    assert abs(ratio.mean() - 1.0) < 4 * deviation / np.sqrt(flat.sum())
    assert ratio.std() == pytest.approx(deviation, rel=0.25)
    assert x.std() / G == pytest.approx(14.1356, rel=0.02)
    # Kurtosis of correlated samples scatters more than 24/n says: one in ten counts.
    few = x[::10]
    assert abs(stats.kurtosis(few, fisher=False) - 3.0) < 4 * np.sqrt(24 / len(few))
    assert stats.skew(few) == pytest.approx(0.0, abs=4 * np.sqrt(6 / len(few)))


def test_noise_drives_a_resonator_as_miles_says():
    # White base acceleration: sqrt(pi/2 f Q P (1 + 1/Q^2)), exact for all frequencies; Miles,
    # J. Aeronaut. Sci. 21 (1954) 753 without the last factor (from memory). Scatter of the rms of
    # a band of pi f/(2 Q) = 15.7 Hz over 100 s: 1/(2 sqrt(B T)) = 1.3 %; the band ends at 2 kHz.
    noise = Noise(Density(corners((1, 0.01), (2000, 0.01))), 100.0, (3, 64), None)
    section = ramp_invariant(100.0, 10.0, 1 / noise.rate_hz, velocity=0.1)
    _, response = respond(section, initial_state(1), noise.samples[:, None])
    assert response.std() / G == pytest.approx(3.98309, rel=0.04)


def test_clipped_noise_keeps_its_rms():
    # rms of a limited normal by quadrature: 0.9594462 at 2 sigma, 0.9975005 at 3.
    assert kept_by_clipping(2.0) == pytest.approx(0.9594462, rel=1e-6)
    assert kept_by_clipping(3.0) == pytest.approx(0.9975005, rel=1e-6)
    density = Density(corners((20, 0.01), (500, 0.01)))
    whole = Noise(density, 10.0, (1, 64), None).samples
    cut = Noise(density, 10.0, (1, 64), 2.0).samples
    assert np.abs(cut).max() == pytest.approx(2.0 / 0.9594462 * density.rms_m_s2, rel=1e-6)
    assert np.abs(whole).max() > 3.0 * density.rms_m_s2
    # Same draws: the ratio scatters little; 5 % of the samples are cut.
    assert cut.std() / whole.std() == pytest.approx(1.0, abs=0.01)


def test_random_vibration_ramps_and_repeats():
    settings = {"start_ms": 100.0, "duration_ms": 2000.0, "ramp_ms": 500.0,
                "density": corners((20, 0.01), (300, 0.01))}  # fmt: skip
    one, same = (made(RandomVibration, "random_vibration", **settings) for _ in range(2))
    time_s = np.arange(0.0, 2.5, 1e-4)
    wave = one.along(time_s)
    np.testing.assert_array_equal(wave, same.along(time_s))
    assert not wave[(time_s < 0.1) | (time_s > 2.1001)].any()
    # A cosine fade has a mean square of 3/8.
    rising, flat = (time_s > 0.1) & (time_s < 0.6), (time_s > 0.6) & (time_s < 1.6)
    assert wave[rising].std() / wave[flat].std() == pytest.approx(np.sqrt(3 / 8), rel=0.15)
    for expected in one.expected:
        assert expected.low <= expected.measure(time_s, wave) <= expected.high


def test_sines_stand_out_of_the_random_part():
    found = made(SineOnRandom, "sine_on_random", start_ms=0.0, duration_ms=10_000.0,
                 tones=[{"hz": 60.0, "peak_g": 0.5}],
                 density=corners((20, 1e-4), (300, 1e-4)))  # fmt: skip
    time_s = np.arange(0.0, 10.0, 1e-3)
    wave = found.along(time_s)
    amplitude = 2 * np.abs(np.mean(wave * np.exp(-2j * np.pi * 60.0 * time_s)))
    # Random part of the estimate: sqrt(4 S/T)/sqrt(2) = 0.0045 g.
    assert amplitude / G == pytest.approx(0.5, abs=0.02)
    assert wave.std() / G == pytest.approx(np.sqrt(0.5**2 / 2 + 1e-4 * 280), rel=0.03)


def test_what_passes_swells_and_fades():
    found = made(AmbientVibration, "ambient_vibration", tones=[{"hz": 40.0, "peak_g": 0.1}],
                 passes_s=(1.0, 3.0))  # fmt: skip
    time_s = np.arange(0.0, 4.0, 1e-4)
    wave = np.abs(found.along(time_s)) / G
    assert not wave[(time_s < 1) | (time_s > 3)].any()
    assert wave[(time_s > 1.95) & (time_s < 2.05)].max() == pytest.approx(0.1, rel=1e-2)
    assert wave[(time_s > 1.45) & (time_s < 1.55)].max() == pytest.approx(0.055, abs=0.006)
    assert found.span is None


@pytest.mark.parametrize(
    ("points", "match"),
    [
        ([{"hz": 10.0, "g2_per_hz": 1.0}], "two corners"),
        ([{"hz": 10.0, "db_per_octave": 3.0}, {"hz": 20.0, "g2_per_hz": 1.0}], "first corner"),
        ([{"hz": 20.0, "g2_per_hz": 1.0}, {"hz": 10.0, "g2_per_hz": 1.0}], "must rise"),
        ([{"hz": 20.0}, {"hz": 10.0, "g2_per_hz": 1.0}], "one of g2_per_hz"),
    ],
)
def test_corners_are_checked(points, match):
    with pytest.raises(ValueError, match=match):
        RandomVibration.Params(kind="random_vibration", direction="x", start_ms=0.0,
                               duration_ms=10.0, density=points)  # fmt: skip


def test_a_sweep_that_does_not_move_and_noise_too_long_are_refused():
    with pytest.raises(ValueError, match="must differ"):
        sweep(to_hz=10.0)
    with pytest.raises(ValueError, match="samples, more than"):
        Noise(Density(corners((1, 1.0), (5000, 1.0))), 5000.0, (1, 64), None)
