"""Responses, decays and staircases against closed forms; series against a plant made elsewhere."""

import numpy as np
import pytest
from scipy.stats import binom

from controllers.sampled_model import sampled_model
from sim.studies.identify.curves import fit_decay, fit_response, fit_staircase
from sim.studies.identify.excitation import excitation, multisine
from sim.studies.identify.log import Curve, Series
from sim.studies.identify.prior import UNKNOWN, Prior
from sim.studies.identify.response import FrameTiming, sampled_response
from sim.studies.identify.series import fit_series

FRAME_S, EXPOSURE_S, LATENCY_S = 1e-3, 3e-4, 1e-3
AMPLIFIER_S = 1.0 / (2e3 * np.pi * 4.0)
TIMING = FrameTiming(FRAME_S, EXPOSURE_S, AMPLIFIER_S)
PRIOR = Prior((700.0, 760.0), (8.0, 8.0), LATENCY_S, EXPOSURE_S, AMPLIFIER_S, FRAME_S, None, False)


@pytest.mark.parametrize(
    ("resonance_hz", "quality", "delay_s"),
    [(300.0, 5.0, 1.3e-3), (700.0, 25.0, 1e-3), (1200.0, 50.0, 2.2e-3), (250.0, 12.0, 0.35e-3)],
)
def test_sum_over_images_is_the_exact_sampled_model(resonance_hz, quality, delay_s):
    # A second route: matrix exponentials over the parts of a frame. The images left out fall off
    # as 1/f^4 or faster: 2e-5 of the gain at rest.
    model = sampled_model(
        2 * np.pi * resonance_hz, quality, AMPLIFIER_S, FRAME_S, EXPOSURE_S, delay_s
    )
    frequency_hz = np.linspace(0.0, 500.0, 41)
    got = sampled_response(
        frequency_hz, np.array([resonance_hz]), np.array([quality]), np.array([delay_s]), TIMING
    )
    wanted = model.frequency_response(frequency_hz, FRAME_S)
    assert np.abs(got.value[0] - wanted).max() < 2e-5 * np.abs(wanted).max()
    # Slopes by central differences; their error is a third derivative, some Q^3 of a step squared.
    step = 1e-5
    for k, slope in enumerate((got.by_log_resonance, got.by_log_quality)):
        ends = []
        for sign in (-1.0, 1.0):
            p = np.log([resonance_hz, quality])
            p[k] += sign * step
            f, q = np.exp(p)
            moved = sampled_response(
                frequency_hz, np.array([f]), np.array([q]), np.array([delay_s]), TIMING
            )
            ends.append(moved.value)
        numeric = (ends[1] - ends[0]) / (2 * step)
        assert np.abs(numeric - slope).max() < 1e-5 * max(np.abs(slope).max(), 1.0) * quality


def crlb(resonance_hz, quality, frequency_hz, coherence, averages):
    """Standard deviations of resonance and quality factor of k / (1 - r^2 + i r / Q), by numbers.

    Fisher information of complex readings with a relative variance (1 - g) / (2 g n) of real and
    of imaginary part each; derivatives by differences.
    """

    def log_response(p):
        r = frequency_hz / p[0]
        return np.log(p[2] / (1 - r**2 + 1j * r / p[1])) - 2j * np.pi * frequency_hz * p[3]

    at = np.array([resonance_hz, quality, 1.0, 0.0])
    steps = np.array([1e-4, 1e-5, 1e-6, 1e-9])
    slopes = np.stack(
        [(log_response(at + s) - log_response(at - s)) / (2 * s.sum()) for s in np.diag(steps)]
    )
    variance = (1 - coherence) / (2 * coherence * averages)
    fisher = (slopes.conj() @ slopes.T).real / variance
    return np.sqrt(np.diag(np.linalg.inv(fisher)))[:2]


@pytest.mark.parametrize(
    ("resonance_hz", "quality", "band", "n", "coherence", "averages"),
    [(700.0, 25.0, (560.0, 840.0), 40, 0.95, 16), (300.0, 5.0, (100.0, 600.0), 30, 0.99, 8)],
)
def test_response_fit_reaches_the_bound_and_states_it(
    resonance_hz, quality, band, n, coherence, averages
):
    frequency_hz = np.linspace(*band, n)
    bound = crlb(resonance_hz, quality, frequency_hz, coherence, averages)
    r = frequency_hz / resonance_hz
    truth = 1.0 / (1 - r**2 + 1j * r / quality)
    sd = np.sqrt((1 - coherence) / (2 * coherence * averages))
    rng = np.random.default_rng(4)
    found, stated = [], []
    for _ in range(150):
        noise = rng.normal(0, sd, n) + 1j * rng.normal(0, sd, n)
        curve = Curve(0, 0, frequency_hz, truth * (1 + noise), np.full(n, sd))
        e = fit_response(curve, UNKNOWN)
        found.append((e.resonance_hz.value, e.quality.value))
        stated.append((e.resonance_hz.sd * e.resonance_hz.value, e.quality.sd * e.quality.value))
    # 150 draws know a standard deviation to 5.8 %; 4 of those. Stated ones scatter with Q alone.
    assert np.std(found, axis=0) == pytest.approx(bound, rel=0.24)
    assert np.median(stated, axis=0) == pytest.approx(bound, rel=0.1)


@pytest.mark.parametrize("quality", [5.0, 8.0, 25.0, 50.0])
def test_decay_fit_and_logarithmic_decrement(quality):
    # delta = 2 pi zeta / sqrt(1 - zeta^2) between successive maxima of a free decay: textbook.
    zeta = 0.5 / quality
    decrement = 2 * np.pi * zeta / np.sqrt(1 - zeta**2)
    w = 2 * np.pi * 700.0
    period_s = 2 * np.pi / (w * np.sqrt(1 - zeta**2))
    t = np.arange(0.0, 0.04, 1e-4)

    def tilt(t):
        return 2e-4 * np.exp(-zeta * w * t) * np.cos(2 * np.pi * t / period_s + 0.4) + 3e-5

    assert np.log((tilt(0.0) - 3e-5) / (tilt(period_s) - 3e-5)) == pytest.approx(decrement)
    e = fit_decay(Curve(3, 1, t, tilt(t)))
    assert (e.mirror, e.axis) == (3, 1)
    assert e.resonance_hz.value == pytest.approx(700.0, rel=1e-7)
    assert e.quality.value == pytest.approx(quality, rel=1e-6)


def test_staircase_gives_gain_and_cubic_stiffness():
    volts = np.linspace(-90.0, 90.0, 13)
    gain, cubic = 9.4e-4, 4.0
    tilt = [next(r.real for r in np.roots([cubic, 0, 1, -gain * v]) if abs(r.imag) < 1e-9)
            for v in volts]  # fmt: skip
    e = fit_staircase(Curve(0, 0, volts, np.array(tilt) + 1e-4), square=False)
    assert e.tilt_per_volt_rad.value == pytest.approx(gain, rel=2e-3)
    assert e.cubic_per_rad2.value == pytest.approx(cubic, rel=2e-2)
    squared = fit_staircase(
        Curve(0, 0, volts, 1e-5 * volts * np.abs(volts)), square=True
    )
    assert squared.tilt_per_volt_rad.value == pytest.approx(1e-5, rel=1e-6)
    assert squared.cubic_per_rad2.value == pytest.approx(0.0, abs=1e-3)


@pytest.mark.parametrize(("lines", "crest"), [(16, 1.825967), (31, 1.781927), (64, 1.706588)])
def test_crest_factor_of_a_multisine(lines, crest):
    # Peak over rms of flat lines 1 to N with phases -pi k (k - 1) / N: computed once with more
    # samples by another program (cosines, and an inverse transform); Schroeder's rule.
    one = multisine(np.arange(1, lines + 1), 1 << 15)
    assert np.abs(one).max() / one.std() == pytest.approx(crest, rel=1e-5)


def test_excitations_of_both_axes_are_apart_and_bounded():
    for kind in ("multisine", "prbs", "chirp", "step"):
        x, y = (excitation(kind, 2048, 3e-4, axis) for axis in (0, 1))
        assert np.abs(x).max() <= 3e-4 * (1 + 1e-12)
        assert abs(np.corrcoef(x, y)[0, 1]) < 0.2, kind
    with pytest.raises(ValueError, match='got "noise"'):
        excitation("noise", 256, 1.0, 0)


class Plant:
    """Mirrors made by the exact sampled model, in open loop or under an integrator."""

    def __init__(self, m=12, seed=1, resonance=(700.0, 760.0)):
        rng = np.random.default_rng(seed)
        self.f0 = np.array(resonance) * rng.normal(1, 0.05, (m, 2))
        self.q = 8.0 * rng.normal(1, 0.05, (m, 2))
        self.gain = rng.normal(1, 0.01, (m, 2))
        self.cross = 0.02
        self.rng = rng
        self.model = sampled_model(
            2 * np.pi * self.f0, self.q, AMPLIFIER_S, FRAME_S, EXPOSURE_S, LATENCY_S
        )

    def series(self, kind="multisine", frames=1536, noise_rad=2e-5, integral=0.0):
        m = len(self.f0)
        r = np.stack([excitation(kind, frames, 3e-4, a) for a in (0, 1)], axis=1)
        x = np.zeros((m, 2, self.model.A.shape[-1], 1))
        held = np.zeros((m, 2))
        u, y = np.zeros((frames, m, 2)), np.zeros((frames, m, 2))
        for k in range(frames):
            y[k] = (self.model.C @ x)[..., 0, 0] + self.rng.normal(0, noise_rad, (m, 2))
            held -= integral * y[k]
            u[k] = held + r[k]
            asked = self.gain * u[k]
            asked = asked + self.cross * asked[:, ::-1]
            x = self.model.A @ x + self.model.B * asked[..., None, None]
        excited = np.broadcast_to(r[:, None], u.shape).copy()
        return Series(FRAME_S, np.arange(m), excited, u, y, np.full((m, 2), np.nan))

    def inside(self, estimates):
        """How many 95 % intervals of each quantity hold the truth."""
        truth = {"resonance_hz": self.f0, "quality": self.q, "gain": self.gain,
                 "cross_axis": np.full_like(self.gain, self.cross),
                 "delay_s": np.full_like(self.gain, LATENCY_S)}  # fmt: skip
        return {name: sum(getattr(e, name).contains(of[e.mirror, e.axis]) for e in estimates)
                for name, of in truth.items()}  # fmt: skip


@pytest.mark.parametrize(
    ("kind", "integral"), [("multisine", 0.0), ("prbs", 0.0), ("multisine", 0.15)],
    ids=["open", "binary", "closed"],
)  # fmt: skip
def test_intervals_hold_the_truth_as_often_as_they_say(kind, integral):
    plant = Plant()
    estimates = fit_series(plant.series(kind, integral=integral), PRIOR)
    n = len(estimates)
    least = binom.ppf(0.001, n, 0.95)
    for name, count in plant.inside(estimates).items():
        assert count >= least, (name, count, n)
    assert all(e.explained > 0.9 for e in estimates)
    assert {note for e in estimates for note in e.notes if "fits as well" in note} == set()


def test_a_resonance_above_half_the_rate_is_found_by_its_fold_and_said_to_be():
    plant = Plant(m=2, resonance=(700.0, 310.0))
    estimates = fit_series(plant.series(), PRIOR._replace(resonance_hz=None))
    for e in estimates:
        assert e.resonance_hz.value == pytest.approx(plant.f0[e.mirror, e.axis], rel=0.01)
        folded = any("by its fold" in note for note in e.notes)
        assert folded == (plant.f0[e.mirror, e.axis] > 500.0)


def test_missing_and_wild_readings_are_counted_and_left_out():
    plant = Plant(m=2)
    clean = plant.series()
    reading = clean.reading_rad.copy()
    reading[100:140, 0, 0] = np.nan
    reading[[300, 700, 1100], 1, 1] += 5e-3
    estimates = fit_series(clean._replace(reading_rad=reading), PRIOR)
    by = {(e.mirror, e.axis): e for e in estimates}
    assert by[0, 0].missing == 40
    assert by[1, 1].outliers >= 3
    assert by[0, 0].resonance_hz.contains(plant.f0[0, 0])
    assert by[1, 1].resonance_hz.value == pytest.approx(plant.f0[1, 1], rel=2e-3)
