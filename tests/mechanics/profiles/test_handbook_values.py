"""Figures of pulses, densities, sweeps, wavelets and stops, from handbooks and derivations."""

import numpy as np
import pytest

from sim.mechanics.isolator import Isolator, IsolatorParams
from sim.mechanics.profiles.density import Density, DensityPoint, Noise
from sim.mechanics.profiles.profile import ProfileSite
from sim.mechanics.profiles.pulse import Pulse, pulse_shape
from sim.mechanics.profiles.sine_sweep import SineSweep
from sim.mechanics.profiles.spectrum_match import _wavelet
from sim.mechanics.resonator import initial_state, ramp_invariant, respond
from sim.mechanics.shock_spectrum import shock_spectrum, spectrum_parts

G = 9.80665
TICK_S = 5e-5


@pytest.mark.parametrize(
    ("pulse", "quality", "peak", "at"),
    # Largest maximax over the peak, and its f D: ODE solver per piece, closed free vibration.
    [
        ("half_sine", np.inf, 1.76846, 0.8099), ("half_sine", 10.0, 1.65163, 0.8233),
        ("sawtooth", np.inf, 1.25959, 0.6502), ("trapezoid", np.inf, 1.99445, 0.578),
    ],
)  # fmt: skip
def test_highest_points_of_the_spectra_of_pulses(pulse: Pulse, quality, peak, at):
    rate_hz = 4000.0
    wave = pulse_shape(pulse, np.arange(4001) / rate_hz)
    fd = np.linspace(at - 0.02, at + 0.02, 41)
    found = shock_spectrum(wave, rate_hz, fd, quality)
    # The drop of a sampled sawtooth adds half a sample of area, 1/4000 of it.
    assert found.max() == pytest.approx(peak, rel=3e-4)
    assert fd[found.argmax()] == pytest.approx(at, abs=2e-3)


def test_residual_of_a_half_sine():
    # 2 pi w |cos(w/2)|/|pi^2 - w^2| with w = 2 pi f D, pi/2 at f D = 1/2: closed form, undamped.
    fd = np.array([0.2, 0.5, 0.8, 1.0, 2.0, 5.0])
    want = [0.77049, 1.57080, 1.65952, 1.33333, 0.53333, 0.20202]
    wave = pulse_shape("half_sine", np.arange(2001) / 2000.0)
    found = spectrum_parts(wave, 2000.0, fd, np.inf)
    # Peaks between samples at 20 to a period: 1 - cos(pi/20) at most, here of a free vibration.
    np.testing.assert_allclose(found.residual, want, rtol=1.3e-2)
    assert np.all(found.residual < np.array(want) * 1.001)


def test_rms_of_a_screening_density():
    # NAVMAT P-9492 (from memory): 0.01 at 20, 0.04 from 80 to 350, then -3 dB/octave: 6.06 g.
    density = Density([
        DensityPoint(hz=20, g2_per_hz=0.01), DensityPoint(hz=80, g2_per_hz=0.04),
        DensityPoint(hz=350, g2_per_hz=0.04), DensityPoint(hz=2000, db_per_octave=-3.0),
    ])  # fmt: skip
    assert density.rms_m_s2 / G == pytest.approx(6.0644, rel=1e-3)


@pytest.mark.parametrize(
    ("f_hz", "quality", "g2_per_hz", "miles", "exact"),
    [(100.0, 10.0, 0.01, 3.96333, 3.98309), (300.0, 20.0, 0.04, 19.41626, 19.44051),
     (50.0, 10.0, 0.001, 0.88623, 0.89065)],
)  # fmt: skip
def test_mounts_pass_white_noise_as_miles_says(f_hz, quality, g2_per_hz, miles, exact):
    # Absolute acceleration: sqrt(pi/2 f Q P (1 + 1/Q^2)), exact; w^2 times the sway: Miles (J.
    # Aeronaut. Sci. 21 (1954) 753, from memory) without the bracket. Integrated over |T|^2 here.
    mounts = Isolator(
        IsolatorParams(resonance_hz=(f_hz,) * 3, quality=(quality,) * 3, clearance_mm=(50.0,) * 3),
        TICK_S,
    )
    hz = np.geomspace(1e-2, 1e6, 400_001)
    passed = mounts.transmissibility(hz)[:, 0]
    core = np.sqrt(np.trapezoid(np.abs(passed) ** 2, hz) * g2_per_hz)
    assert core == pytest.approx(exact, rel=1e-4)
    # The core moves by (T - 1) a/(2 pi f)^2 against the chassis.
    sway = np.abs(passed - 1.0) / (2 * np.pi * hz) ** 2
    rms_m = np.sqrt(np.trapezoid(sway**2, hz) * g2_per_hz) * G
    assert rms_m * (2 * np.pi * f_hz) ** 2 / G == pytest.approx(miles, rel=1e-4)
    if f_hz == 100.0:
        assert 1e6 * rms_m == pytest.approx(98.451, rel=1e-4)


def sweep(**settings):
    params = SineSweep.Params(kind="sine_sweep", direction="x", start_ms=0.0, **settings)
    return SineSweep(params, ProfileSite((5, 64), 100.0))


def test_crossover_of_the_coarsest_class():
    # sqrt(a/d)/(2 pi), exact: 3 mm and 10 m/s^2.
    found = sweep(from_hz=2.0, to_hz=200.0, rate=1.0, displacement_mm=3.0, peak_g=10.0 / G)
    assert found.crossover_hz == pytest.approx(9.1888, rel=1e-5)


def test_a_sweep_dwells_in_the_half_power_band():
    # 50 Hz, Q 20, one octave a minute: (60/r) log2(f2/f1) = 4.335770 s and 216.540 cycles, with
    # (f/f0)^2 = 1 - 2 z^2 -+ 2 z sqrt(1 - z^2): exact.
    found = sweep(from_hz=40.0, to_hz=60.0, rate=1.0, peak_g=0.1)
    zeta = 1.0 / 40.0
    edges = 50.0 * np.sqrt(1 - 2 * zeta**2 + np.array([-2, 2]) * zeta * np.sqrt(1 - zeta**2))
    time_s = np.arange(0.0, found.span.to_s, 1e-3)
    at_s = np.interp(edges, found.frequency_hz(time_s), time_s)
    assert at_s[1] - at_s[0] == pytest.approx(4.335770, rel=1e-5)
    cycles = np.diff(found._turns(at_s))[0]
    assert cycles == pytest.approx(216.540, rel=1e-5)


@pytest.mark.parametrize(("speed", "share"), [(0.3, 0.987519), (0.9, 0.944964)])
def test_a_resonance_swept_too_fast_is_not_built_up(speed, share):
    # s = f' Q^2/f0^2: peak over steady peak by the error function's form, and an ODE for the
    # envelope. Holds for high Q; 1e-3 by the whole filter.
    f_hz, quality, rate_hz = 100.0, 50.0, 4000.0
    found = sweep(from_hz=88.0, to_hz=112.0, rate=60.0 * speed * f_hz**2 / quality**2,
                  rate_unit="Hz/min", peak_g=1.0 / G, ramp_ms=500.0)  # fmt: skip
    wave = found.along(np.arange(0.0, found.span.to_s, 1.0 / rate_hz))
    _, moved = respond(
        ramp_invariant(f_hz, quality, 1.0 / rate_hz), initial_state(1), wave[:, None]
    )
    # Straight lines weaken 100 Hz by sinc^2(1/40); peaks between samples by 3e-3 at most.
    steady = quality * np.sinc(f_hz / rate_hz) ** 2
    assert np.abs(moved).max() / steady == pytest.approx(share, abs=2.5e-3)


@pytest.mark.parametrize(
    ("halves", "quality", "times"), [(5, 10.0, 3.5566), (5, 25.0, 4.3319), (9, 25.0, 7.0287)]
)
def test_spectrum_of_a_wavelet_at_its_own_frequency(halves, quality, times):
    # By the ramp-invariant filter and an ODE solver, over the wavelet's amplitude.
    rate_hz = 4000.0
    time_s = np.arange(0.0, 1.0, 1.0 / rate_hz)
    wave = _wavelet(time_s, 10.0, halves / 20.0 + 1e-9, 0.0, 0.0)
    assert np.count_nonzero(wave) == pytest.approx(halves / 20.0 * rate_hz, abs=halves + 2)
    found = shock_spectrum(wave, rate_hz, [10.0], quality)[0]
    assert found == pytest.approx(times, rel=2e-3)


def test_a_limiter_cuts_the_share_of_a_normal():
    # P(|x| > 3 sigma) = 0.00269980; the limit lies at 3 sigma over the 0.9975005 that is kept.
    density = Density([DensityPoint(hz=20, g2_per_hz=0.01), DensityPoint(hz=2000, g2_per_hz=0.01)])
    samples = Noise(density, 10.0, (3, 64), 3.0).samples
    limit = 3.0 * density.rms_m_s2 / 0.9975005
    share = np.mean(np.abs(samples) > limit * (1 - 1e-6))
    assert share == pytest.approx(0.0026998, rel=0.25)  # some 40 000 independent samples: 10 %


def test_free_vibration_takes_its_time_to_die_away():
    # Q ln(A0/A)/(pi f): Q 50, 1 kHz, to a hundredth: 73.2936 ms, exact.
    section = ramp_invariant(1000.0, 50.0, 1e-5)
    kick = np.zeros((12_000, 1))
    kick[1] = 1.0
    _, moved = respond(section, initial_state(1), kick)
    crest = np.abs(moved[:, 0])
    crests = np.flatnonzero((crest[1:-1] > crest[:-2]) & (crest[1:-1] >= crest[2:])) + 1
    envelope = np.polyfit(1e-5 * crests[5:], np.log(crest[crests[5:]]), 1)[0]
    assert np.log(0.01) / envelope == pytest.approx(73.2936e-3, rel=1e-3)


def test_a_core_thrown_at_its_stop():
    # From rest at 0.2 m/s, 8 Hz, 1 mm, a linear stop 24 times as stiff, no damping (closed form,
    # and events of an ODE solver): touch after 5.0541929 ms at 0.1935804 m/s, contact 12.087106 ms,
    # 1.73127 mm at most, 48.71763 m/s^2, the other stop 10.108386 ms after leaving.
    params = IsolatorParams(
        resonance_hz=(8.0,) * 3, quality=(1e6,) * 3, clearance_mm=(1.0,) * 3,
        stop_hz=(8.0 * 24**0.5,) * 3, stop_doubles_mm=(1e6,) * 3, stop_damping_s_per_m=0.0,
    )  # fmt: skip
    isolator = Isolator(params, TICK_S)
    chassis = np.zeros((800, 3))
    chassis[1] = 0.2 / TICK_S  # a triangle of two ticks about the first
    _, core, sway = isolator.advance(isolator.initial_state(), chassis)
    time_s = TICK_S * (np.arange(800) - 1)
    x = np.abs(sway[:, 0])
    over = x > 1e-3
    turns = np.flatnonzero(np.diff(over.astype(int)))

    def crossing(k):
        return time_s[k] + TICK_S * (1e-3 - x[k]) / (x[k + 1] - x[k])

    touch, leave, other = (crossing(k) for k in turns[:3])
    assert touch == pytest.approx(5.0541929e-3, abs=2e-6)
    assert (x[turns[0]] - x[turns[0] - 1]) / TICK_S == pytest.approx(0.1935804, rel=2e-3)
    assert leave - touch == pytest.approx(12.087106e-3, abs=5e-6)
    assert x.max() == pytest.approx(1.73127e-3, rel=5e-4)
    assert np.abs(core[3:, 0]).max() == pytest.approx(48.71763, rel=1e-3)
    assert other - leave == pytest.approx(10.108386e-3, abs=5e-6)
