"""Every kind of profile, looked at by an independent library too: pyyeti (BSD)."""

import numpy as np
import pytest
from pyyeti import psd
from pyyeti.srs import srs, vrs

from sim.mechanics.profiles.ambient_vibration import AmbientVibration
from sim.mechanics.profiles.density import Density, DensityPoint, Noise
from sim.mechanics.profiles.free_fall import FreeFall
from sim.mechanics.profiles.profile import ProfileSite
from sim.mechanics.profiles.pulse_train import PulseTrain
from sim.mechanics.profiles.random_vibration import RandomVibration
from sim.mechanics.profiles.sine_dwell import SineDwell
from sim.mechanics.profiles.sine_on_random import SineOnRandom
from sim.mechanics.profiles.sine_sweep import SineSweep
from sim.mechanics.profiles.spectrum_match import SpectrumMatch
from sim.mechanics.shock_spectrum import shock_spectrum, spectrum_parts

G = 9.80665
RATE_HZ = 8192.0
WORLD = ProfileSite((5, 64), 1.0)
FLAT = [{"hz": 20.0, "g2_per_hz": 1e-3}, {"hz": 400.0, "g2_per_hz": 1e-3}]
TONES = [{"hz": 60.0, "peak_g": 0.5}]
REQUIRED = [{"hz": 10.0, "g": 1.0}, {"hz": 40.0, "g": 3.0}, {"hz": 200.0, "g": 3.0}]
EVENTS = {
    "sawtooth": (PulseTrain, {"pulse": "sawtooth", "peak_g": 15.0, "duration_ms": 11.0,
                              "count": 1, "period_ms": 11.0}),
    "trapezoid": (PulseTrain, {"pulse": "trapezoid", "peak_g": 15.0, "duration_ms": 11.0,
                               "count": 1, "period_ms": 11.0}),
    "train of both senses": (PulseTrain, {"pulse": "half_sine", "peak_g": 5.0, "duration_ms": 6.0,
                                          "count": 4, "period_ms": 30.0,
                                          "senses": "alternating"}),
    "bump": (PulseTrain, {"pulse": "half_sine", "peak_g": 10.0, "duration_ms": 6.0, "count": 20,
                          "period_ms": 40.0}),
    "free fall": (FreeFall, {"height_mm": 50.0, "impact_ms": 5.0, "restitution": 0.3}),
    "sine sweep": (SineSweep, {"from_hz": 10.0, "to_hz": 300.0, "rate": 400.0, "peak_g": 0.5,
                               "displacement_mm": 0.3}),
    "sine dwell": (SineDwell, {"frequency_hz": 60.0, "peak_g": 0.5, "duration_ms": 500.0}),
    "random": (RandomVibration, {"duration_ms": 800.0, "density": FLAT, "clip_sigma": 3.0}),
    "sine on random": (SineOnRandom, {"duration_ms": 800.0, "density": FLAT, "tones": TONES}),
    "synthesised": (SpectrumMatch, {"required": REQUIRED, "quality": 10.0, "duration_ms": 700.0}),
}  # fmt: skip


def wave_of(name):
    """Return the profile, and its acceleration from rest at even times. [m/s^2]"""
    cls, settings = EVENTS[name]
    kind = cls.Params.model_fields["kind"].annotation.__args__[0]
    made = cls(cls.Params(kind=kind, direction="z", start_ms=20.0, **settings), WORLD)
    return made, made.along(np.arange(int(RATE_HZ)) / RATE_HZ)


@pytest.mark.parametrize("name", sorted(EVENTS))
def test_spectra_of_every_kind_agree_with_an_independent_library(name):
    # Ramp-invariant sections on both sides, from rest, no change of sample rate: rounding alone.
    _, wave = wave_of(name)
    hz = np.array([12.0, 35.0, 90.0, 250.0])
    for quality in (10.0, 25.0):
        want = srs(wave, RATE_HZ, hz, quality, ic="zero", rolloff="none", ppc=2, time="total",
                   parallel="no")  # fmt: skip
        got = shock_spectrum(wave, RATE_HZ, hz, quality, samples_per_period=0)
        np.testing.assert_allclose(got, want, rtol=1e-8)


@pytest.mark.parametrize("name", ["sawtooth", "trapezoid"])
def test_primary_and_residual_agree_too(name):
    # The pulse alone: what follows is the residual. Peaks between samples: 1 - cos(pi f/rate).
    made, wave = wave_of(name)
    alone = wave[: int(made.span.to_s * RATE_HZ) + 1]
    hz = np.array([35.0, 90.0, 250.0])
    found = spectrum_parts(alone, RATE_HZ, hz, 10.0)
    for part in ("primary", "residual"):
        want = srs(alone, RATE_HZ, hz, 10.0, ic="zero", rolloff="none", ppc=2, time=part,
                   parallel="no")  # fmt: skip
        np.testing.assert_allclose(getattr(found, part), want, rtol=6e-3)


def test_ambient_vibration_too():
    ambient = AmbientVibration(
        AmbientVibration.Params(kind="ambient_vibration", direction="x", tones=TONES, density=FLAT),
        WORLD,
    )
    wave = ambient.along(np.arange(int(RATE_HZ)) / RATE_HZ)
    wave[0] = 0.0  # from rest on both sides; a first value counts as a step with us alone
    hz = np.array([30.0, 60.0, 200.0])
    want = srs(wave, RATE_HZ, hz, 10.0, ic="zero", rolloff="none", ppc=2, time="total",
               parallel="no")  # fmt: skip
    np.testing.assert_allclose(
        shock_spectrum(wave, RATE_HZ, hz, 10.0, samples_per_period=0), want, rtol=1e-8
    )


def test_a_synthesised_motion_keeps_its_tolerance_by_the_other_library():
    # Peaks between samples found on 20 points to a period of the highest frequency.
    made, wave = wave_of("synthesised")
    hz = np.geomspace(10.0, 200.0, 25)
    corners = np.array([(corner["hz"], corner["g"]) for corner in REQUIRED])
    wanted = G * np.exp(np.interp(np.log(hz), *np.log(corners).T))
    found = srs(wave, RATE_HZ, hz, 10.0, ic="zero", rolloff="fft", ppc=20, time="total",
                parallel="no")  # fmt: skip
    over_db = 20 * np.log10(found / wanted)
    assert np.all((over_db > -0.3) & (over_db < 6.0)), over_db
    assert over_db.max() <= made.conditions["spectrum_over_required_db"][1] + 0.3


BREAKS = [(5.0, 0.01), (20.0, 0.01), (200.0, 0.01 * 10 ** (-0.3 * np.log2(10.0))), (500.0, 4e-3)]


def test_densities_and_their_rms_agree():
    # -3 dB an octave from 20 to 200 Hz, then up again.
    points = [DensityPoint(hz=5, g2_per_hz=0.01), DensityPoint(hz=20, g2_per_hz=0.01),
              DensityPoint(hz=200, db_per_octave=-3.0),
              DensityPoint(hz=500, g2_per_hz=4e-3)]  # fmt: skip
    density, spec = Density(points), np.array(BREAKS)
    assert density.rms_m_s2 / G == pytest.approx(np.sqrt(psd.area(spec)[0]), rel=1e-9)
    hz = np.array([3.0, 7.0, 33.0, 150.0, 320.0, 700.0])
    np.testing.assert_allclose(density.at(hz) / G**2, psd.interp(spec, hz).ravel(), rtol=1e-9)


def test_noise_shakes_resonators_as_the_other_library_integrates_it():
    # rms response of a resonator to a density: vrs integrates |H|^2 P; ours filters made noise.
    # Scatter of an rms over a band of pi f/(2 Q) in 20 s: 1/(2 sqrt(B T)) = 2.8 % at 100 Hz; the
    # five resonators' mean scatters 1.4 % at most.
    spec = np.array([(20.0, 0.01), (800.0, 0.01)])
    noise = Noise(Density([DensityPoint(hz=f, g2_per_hz=p) for f, p in spec]), 20.0, (2, 64), None)
    hz = np.array([60.0, 100.0, 150.0, 230.0, 350.0])
    want = vrs((spec[:, 0], spec[:, 1]), np.arange(20.0, 800.0, 0.1), 10.0, linear=False, Fn=hz)
    got = srs(noise.samples, noise.rate_hz, hz, 10.0, ic="zero", rolloff="none", ppc=2,
              peak=lambda response: response.std(axis=0), parallel="no")  # fmt: skip
    ratio = got / G / want.ravel()
    assert ratio.mean() == pytest.approx(1.0, abs=0.05)
