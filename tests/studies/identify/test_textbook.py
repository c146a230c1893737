"""Identification against closed forms of the textbook, and the traps beside them."""

from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import least_squares
from scipy.signal import lfilter, max_len_seq, resample

from sim.studies.identify.curves import fit_decay, fit_response
from sim.studies.identify.excitation import multisine
from sim.studies.identify.log import Curve, Series, response_sd
from sim.studies.identify.prior import UNKNOWN
from sim.studies.identify.response import (
    FrameTiming,
    continuous_response,
    mirror_response,
    sampled_response,
)
from sim.studies.identify.series import fit_series

MS = 1e-3


@pytest.mark.parametrize(
    ("quality", "decrement", "ratio"),
    [(5.0, 0.63148388, 4.9749372), (8.0, 0.39346833, 7.9843597), (25.0, 0.12568885, 24.9949995),
     (50.0, 0.06283499, 49.9974999)],
)  # fmt: skip
def test_logarithmic_decrement(quality: float, decrement: float, ratio: float) -> None:
    # Closed form: delta = 2 pi zeta / sqrt(1 - zeta^2) from peak to peak of the same side; pi/delta
    # is a little less than Q. A decay made from delta alone, with an offset: half periods would
    # give delta/2, and the offset biases alternate ones.
    assert np.pi / decrement == pytest.approx(ratio, rel=1e-6)
    t = np.arange(0, 0.08, 2e-5)
    tilt = 3e-4 * np.exp(-decrement * 640.0 * t) * np.cos(2 * np.pi * 640.0 * t) + 4e-5
    got = fit_decay(Curve(0, 0, t, tilt))
    assert got.quality is not None and got.resonance_hz is not None
    assert got.quality.value == pytest.approx(quality, rel=1e-5)
    damped = got.resonance_hz.value * np.sqrt(1 - 0.25 / quality**2)
    assert damped == pytest.approx(640.0, rel=1e-7)


@pytest.mark.parametrize(
    ("quality", "low", "high", "at_peak", "at_rest"),
    [(5.0, 0.88374347, 1.08581651, 4.8989686, 4.9487056),
     (8.0, 0.93136023, 1.05685530, 7.9372529, 7.9684407),
     (25.0, 0.97939165, 1.01940767, 24.9799920, 24.9899900),
     (50.0, 0.98984898, 1.00985098, 49.9899990, 49.9949987)],
)  # fmt: skip
def test_half_power_bandwidth(
    quality: float, low: float, high: float, at_peak: float, at_rest: float
) -> None:
    # Closed form: half power at w^2 = 1 - 2 z^2 -+ 2 z sqrt(1 - z^2), peak at w^2 = 1 - 2 z^2.
    peak = np.sqrt(1 - 0.5 / quality**2)
    s = 1j * np.array([low, high, peak])
    size = np.abs(mirror_response(s, np.array([0.5 / np.pi]), np.array([quality])).value[0])
    np.testing.assert_allclose(size[:2] / size[2], 0.5**0.5, rtol=1e-6)
    assert peak / (high - low) == pytest.approx(at_peak, rel=1e-6)
    assert 1.0 / (high - low) == pytest.approx(at_rest, rel=1e-6)


@pytest.mark.parametrize(("quality", "radius"), [(8.0, 4.015650), (25.0, 12.505001)])
def test_a_displacement_is_no_circle(quality: float, radius: float) -> None:
    # A circle through 20 points of the half-power band of s/(s^2 + s/Q + 1) has radius Q/2; through
    # those of a displacement it has not (algebraic fit, in this test), while the fit of the whole
    # response finds Q.
    z = 0.5 / quality
    ends = np.sqrt(1 - 2 * z**2 + 2 * z * np.sqrt(1 - z**2) * np.array([-1, 1]))
    w = np.linspace(*ends, 20)
    h = 1.0 / (1 - w**2 + 1j * w / quality)
    columns = np.stack([h.real, h.imag, np.ones(20)], axis=1)
    a, b, c = np.linalg.lstsq(columns, -(np.abs(h) ** 2), rcond=None)[0]
    assert np.sqrt(0.25 * (a**2 + b**2) - c) == pytest.approx(radius, rel=3e-5)
    velocity = 1j * w * h
    columns = np.stack([velocity.real, velocity.imag, np.ones(20)], axis=1)
    a, b, c = np.linalg.lstsq(columns, -(np.abs(velocity) ** 2), rcond=None)[0]
    assert np.sqrt(0.25 * (a**2 + b**2) - c) == pytest.approx(0.5 * quality, rel=1e-9)
    got = fit_response(Curve(0, 0, 700.0 * w, h), UNKNOWN)
    assert got.quality is not None and got.quality.value == pytest.approx(quality, rel=1e-6)


def test_an_algebraic_circle_is_small_under_noise() -> None:
    # Circles through 20 noisy points of s/(s^2 + s/8 + 1) in the half-power band, noise 5 % of the
    # peak, both in this test: least squares on x^2 + y^2 gives 3.9789, on the distance 4.0159,
    # scattering by 0.11 to 0.12 (Monte Carlo). The program fits no circle: it has no such bias.
    quality, runs, rng = 8.0, 300, np.random.default_rng(1)
    z = 0.5 / quality
    w = np.linspace(*np.sqrt(1 - 2 * z**2 + 2 * z * np.sqrt(1 - z**2) * np.array([-1, 1])), 20)
    h = 1j * w / (1 - w**2 + 1j * w / quality)
    algebraic, geometric, fitted = [], [], []
    for run in range(runs):
        noise = rng.normal(size=(2, 20)) * 0.05 * quality / np.sqrt(2)
        seen = h + noise[0] + 1j * noise[1]
        columns = np.stack([seen.real, seen.imag, np.ones(20)], axis=1)
        a, b, c = np.linalg.lstsq(columns, -(np.abs(seen) ** 2), rcond=None)[0]
        start = (-0.5 * a, -0.5 * b, np.sqrt(0.25 * (a**2 + b**2) - c))
        algebraic.append(start[2])

        def off(p: np.ndarray, seen: np.ndarray = seen) -> np.ndarray:
            return np.hypot(seen.real - p[0], seen.imag - p[1]) - p[2]

        geometric.append(least_squares(off, start).x[2])
        if run < 60:
            got = fit_response(Curve(0, 0, 700.0 * w, seen / (1j * w)), UNKNOWN).quality
            assert got is not None
            fitted.append(got.value)
    # 300 runs: 0.007 (1 sigma).
    assert np.mean(algebraic) == pytest.approx(3.9789, abs=0.02)
    assert np.mean(geometric) == pytest.approx(4.0159, abs=0.02)
    assert 0.10 < np.std(algebraic) < 0.13 and 0.10 < np.std(geometric) < 0.13
    assert np.mean(fitted) == pytest.approx(quality, abs=4 * np.std(fitted) / np.sqrt(60))


@pytest.mark.parametrize(
    ("resonance_hz", "quality", "count", "band", "coherence", "averages", "deviations"),
    [(700.0, 25.0, 40, (560, 840), 0.95, 16, (0.236687, 0.457175, 0.0069457)),
     (700.0, 8.0, 40, (350, 1050), 0.95, 16, (0.664064, 0.134818, 0.0071845)),
     (700.0, 50.0, 21, (665, 735), 0.90, 10, (0.221835, 1.846408, 0.0189554)),
     (300.0, 5.0, 30, (100, 600), 0.99, 8, (0.331260, 0.061436, 0.0053644))],
)  # fmt: skip
def test_fisher_information_of_a_measured_response(
    resonance_hz: float, quality: float, count: int, band: tuple[float, float], coherence: float,
    averages: int, deviations: tuple[float, ...],
) -> None:  # fmt: skip
    # Bound of Cramer and Rao for k w^2/(s^2 + s w/Q + w^2) without delay: from the derivatives that
    # the fit uses, each row by the deviation that its coherence gives.
    f = np.linspace(*band, count)
    r = continuous_response(
        f, np.array([resonance_hz]), np.array([quality]), np.array([0.0]), 0.0
    )
    shares = np.stack([
        r.by_log_resonance[0] / r.value[0] / resonance_hz,
        r.by_log_quality[0] / r.value[0] / quality, np.ones(count),
    ], axis=1)  # fmt: skip
    sd = response_sd(Path("log"), np.full(count, coherence), np.full(count, averages))
    weighted = shares / sd[:, None]
    fisher = (weighted.conj().T @ weighted).real
    got = np.sqrt(np.diag(np.linalg.inv(fisher)))
    np.testing.assert_allclose(got, deviations, rtol=1e-4)


@pytest.mark.parametrize(
    ("coherence", "averages", "deviation"),
    [(0.8, 16, 0.0883883), (0.9, 10, 0.0745356), (0.95, 16, 0.0405554), (0.99, 8, 0.0251259)],
)
def test_deviation_from_coherence(coherence: float, averages: int, deviation: float) -> None:
    # sqrt((1 - g)/(2 g n)): Bendat and Piersol, Random Data (from memory). Exact for a periodic
    # excitation, whose spectrum is the same in every average: drawn here. A random one, of n
    # averages, scatters as n - 1 would (0.0782 for 0.9 and 10): 5 % that the note on it names.
    got = response_sd(Path("log"), np.array([coherence]), np.array([averages]))
    assert got[0] == pytest.approx(deviation, rel=1e-5)
    rng, runs = np.random.default_rng(7), 20_000
    noise = np.sqrt((1 - coherence) / coherence / 2)
    draws = rng.normal(size=(2, runs, averages)) * noise
    mean = 1.0 + draws[0].mean(axis=1) + 1j * draws[1].mean(axis=1)
    # 20 000 draws: 0.5 % (1 sigma); the logarithm's curvature adds up to 1 %.
    assert np.log(np.abs(mean)).std() == pytest.approx(deviation, rel=0.03)
    assert np.angle(mean).std() == pytest.approx(deviation, rel=0.03)


@pytest.mark.parametrize(
    ("coherence", "averages", "deviation"), [(0.9, 10, 0.0785674), (0.99, 8, 0.0268608)]
)
def test_a_random_excitation_has_one_average_less(
    coherence: float, averages: int, deviation: float
) -> None:
    # Gaussian excitation, drawn: the spectrum differs from average to average, and the response
    # scatters as n - 1 averages would. Its coherence reads high by about (1 - g)^2/n.
    got = response_sd(Path("log"), np.array([coherence]), np.array([averages - 1.0]))
    assert got[0] == pytest.approx(deviation, rel=1e-5)
    rng, shape = np.random.default_rng(2), (40_000, averages)
    x, noise = (rng.normal(size=shape) + 1j * rng.normal(size=shape) for _ in range(2))
    y = x + np.sqrt((1 - coherence) / coherence) * noise
    cross, power = (x.conj() * y).sum(axis=1), (np.abs(x) ** 2).sum(axis=1)
    assert np.log(np.abs(cross / power)).std() == pytest.approx(deviation, rel=0.015)
    read = np.abs(cross) ** 2 / power / (np.abs(y) ** 2).sum(axis=1)
    assert read.mean() - coherence == pytest.approx((1 - coherence) ** 2 / averages, abs=5e-4)


@pytest.mark.parametrize(
    ("resonance_hz", "quality", "a", "b", "naive"),
    [(300.0, 25.0, (0.59447771, 0.92737411), (1.27891555, 1.24293627), (300.0, 25.0)),
     (700.0, 25.0, (0.56752361, 0.83867737), (1.30117973, 1.10502125), (300.46635, 10.730941)),
     (700.0, 8.0, (0.48190053, 0.57707750), None, (304.52759, 3.4802653))],
)  # fmt: skip
def test_sampled_resonator(
    resonance_hz: float, quality: float, a: tuple[float, float], b: tuple[float, float] | None,
    naive: tuple[float, float],
) -> None:  # fmt: skip
    # Closed form of the resonator behind a hold, sampled at 1 kHz without exposure or delay. Its
    # poles read naively belong to the fold: the real part stays, so that Q falls with it.
    if b is None:
        z = 0.5 / quality
        turn, e = 2 * np.pi * resonance_hz * MS, np.exp(-np.pi * resonance_hz * MS / quality)
        c, s = np.cos(turn * np.sqrt(1 - z**2)), np.sin(turn * np.sqrt(1 - z**2))
        k = z / np.sqrt(1 - z**2)
        b = (1 - e * (c + k * s), e**2 - e * (c - k * s))
    f = np.linspace(1.0, 499.0, 200)
    shift = np.exp(-2j * np.pi * f * MS)
    exact = (b[0] * shift + b[1] * shift**2) / (1 + a[0] * shift + a[1] * shift**2)
    got = sampled_response(f, np.array([resonance_hz]), np.array([quality]), np.zeros(1),
                           FrameTiming(MS, 0.0, 0.0)).value[0]  # fmt: skip
    assert np.abs(got - exact).max() < 2e-4 * np.abs(exact).max()
    pole = np.log(np.roots([1.0, *a])[0]) / MS
    assert abs(pole) / (2 * np.pi) == pytest.approx(naive[0], rel=1e-6)
    assert -0.5 * abs(pole) / pole.real == pytest.approx(naive[1], rel=2e-5)


@pytest.mark.parametrize(
    ("quality", "noise", "arx"), [(25.0, 0.05, 23.99), (8.0, 0.05, 7.891), (25.0, 0.20, 15.03),
                                  (8.0, 0.20, 6.621)]
)  # fmt: skip
def test_white_noise_on_the_readings_does_not_bias(
    quality: float, noise: float, arx: float
) -> None:
    # 4000 steps of +-1 into the resonator of 300 Hz, white noise on the output: least squares on
    # the difference equation (ARX, here) read Q low; the fit of the output does not. The ARX values
    # are means of many runs: single runs scatter by some 2 %. Instrumental variables (the output
    # that the ARX model would have without noise) are not biased either: 25.01, 7.99.
    rng = np.random.default_rng(int(10 * quality + 100 * noise))
    z = 0.5 / quality
    turn, e = 0.6 * np.pi, np.exp(-0.3 * np.pi / quality)
    c, s = np.cos(turn * np.sqrt(1 - z**2)), np.sin(turn * np.sqrt(1 - z**2))
    k = z / np.sqrt(1 - z**2)
    a, b = (1.0, -2 * e * c, e**2), (0.0, 1 - e * (c + k * s), e**2 - e * (c - k * s))
    drive = np.sign(rng.normal(size=(4000, 2)))
    clean = lfilter(b, a, drive, axis=0)
    read = clean + noise * clean.std(axis=0) * rng.normal(size=clean.shape)
    y, u = read[:, 0], drive[:, 0]
    columns = np.stack([-y[1:-1], -y[:-2], u[1:-1], u[:-2]], axis=1)
    found = np.linalg.lstsq(columns, y[2:], rcond=None)[0]
    assert _quality_of(found) == pytest.approx(arx, rel=0.06)
    instrumental = []
    for run in range(16):
        again = clean[:, 0] + noise * clean[:, 0].std() * rng.normal(size=len(clean))
        y = again if run else y
        columns = np.stack([-y[1:-1], -y[:-2], u[1:-1], u[:-2]], axis=1)
        found = np.linalg.lstsq(columns, y[2:], rcond=None)[0]
        x = lfilter((0.0, *found[2:]), (1.0, *found[:2]), u)
        instruments = np.stack([-x[1:-1], -x[:-2], u[1:-1], u[:-2]], axis=1)
        found = np.linalg.solve(instruments.T @ columns, instruments.T @ y[2:])
        instrumental.append(_quality_of(found))
    assert np.mean(instrumental) == pytest.approx({25.0: 25.01, 8.0: 7.99}[quality], rel=0.03)
    series = Series(MS, np.array([0]), 1e-4 * drive[:, None], 1e-4 * drive[:, None],
                    1e-4 * read[:, None], np.zeros((1, 2)))  # fmt: skip
    got = fit_series(series, UNKNOWN._replace(resonance_hz=(300.0, 300.0)))[0]
    assert got.quality is not None and got.resonance_hz is not None
    # Within four standard deviations that the fit states.
    assert abs(np.log(got.quality.value / quality)) < 4 * got.quality.sd
    assert got.quality.value == pytest.approx(quality, rel=0.04)
    assert got.resonance_hz.value == pytest.approx(300.0, rel=1e-3)


def _quality_of(found: np.ndarray) -> float:
    pole = np.log(np.roots([1.0, *found[:2]])[0])
    return float(-0.5 * abs(pole) / pole.real)


@pytest.mark.parametrize(
    ("lines", "crest"),
    [(8, 1.786680), (16, 1.825967), (31, 1.781927), (64, 1.706588), (100, 1.676399)],
)
def test_crest_factors(lines: int, crest: float) -> None:
    # Schroeder 1970: phases -pi k (k - 1)/N; the peak between samples, by an inverse transform with
    # many times the points. All phases zero: sqrt(2 N). Random ones: about 2.8 for 31 lines.
    period = 1 << 14
    wave = multisine(np.arange(1, lines + 1), period)
    assert np.abs(wave).max() / wave.std() == pytest.approx(crest, rel=2e-5)
    t = np.arange(period) / period
    cosines = np.cos(2 * np.pi * t[:, None] * np.arange(1, lines + 1))
    flat = cosines.sum(axis=1)
    assert np.abs(flat).max() / flat.std() == pytest.approx(np.sqrt(2 * lines), rel=1e-6)
    if lines == 31:
        rng = np.random.default_rng(3)
        phases = rng.uniform(0, 2 * np.pi, (150, 1, lines))
        real = (np.exp(1j * phases) @ np.exp(
            2j * np.pi * t[::16] * np.arange(1, lines + 1)[:, None]
        )).real[:, 0]  # fmt: skip
        median = np.median(np.abs(real).max(axis=1) / real.std(axis=1))
        assert median == pytest.approx(2.821, rel=0.03)


@pytest.mark.parametrize(("bits", "crest"), [(7, 2.1570), (10, 2.4309)])
def test_a_pseudo_random_sequence_has_a_flat_spectrum_and_peaks_between_samples(
    bits: int, crest: float
) -> None:
    # Closed form: |X|^2 is N + 1 at every line but 1 at zero. Held, the crest factor is 1; ideally
    # reconstructed (resampled by the transform) it is that of a noise.
    one = 2.0 * max_len_seq(bits)[0] - 1.0
    power = np.abs(np.fft.fft(one)) ** 2
    assert power[0] == pytest.approx(1.0) and np.allclose(power[1:], 2**bits)
    smooth = resample(one, 64 * len(one))
    assert np.abs(smooth).max() / smooth.std() == pytest.approx(crest, rel=2e-3)
