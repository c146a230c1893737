"""The rolling shutter: each window's exposure starts with its row, in step with closed forms."""

import numpy as np
import pytest

from sim.camera.exposure import Sampling
from sim.camera.shutter import row_delay_s
from sim.foundations.ports import Array, Clock
from sim.kernels.plain import spot_paths
from sim.loop.reference import exposure_samples

CLOCK = Clock(50e-6, 20, 1)
WEIGHTS = exposure_samples(CLOCK, 300e-6, 4)


def sampled(edges: Array, delay_ticks: Array) -> Array:
    """What each mirror's exposure sees of tilt at tick edges, one pixel to a radian."""
    m = edges.shape[2]
    seen = np.zeros((len(WEIGHTS), 2, m))
    sampling = Sampling(WEIGHTS @ np.arange(21.0), delay_ticks, 1.0)
    spot_paths(seen, edges, np.zeros((21, 2)), sampling, np.zeros((2, m)))
    return seen


def test_samples_of_a_ramp_lie_at_their_times() -> None:
    """tilt = rate * t is exact under straight lines: sample s of mirror m is at its own time."""
    t = np.arange(21) * 50e-6
    rate = np.array([[3.0, -1.0, 0.5], [2.0, 0.0, -4.0]])
    delay_s = np.array([0.0, 133e-6, 700e-6])
    got = sampled(t[:, None, None] * rate, delay_s / 50e-6)
    points = 0.5 + 0.5 * np.polynomial.legendre.leggauss(2)[0]
    at = np.concatenate([points, 1 + points]) / 2 * 300e-6
    assert got == pytest.approx(rate * (at[:, None, None] + delay_s), abs=1e-15)


def test_without_delay_it_is_the_global_shutter() -> None:
    edges = np.random.default_rng(1).normal(size=(21, 2, 9))
    got = sampled(edges, np.zeros(9))
    assert got == pytest.approx(np.tensordot(WEIGHTS, edges, axes=1), abs=1e-14)


def test_sine_is_averaged_and_late_by_its_phase() -> None:
    """Mean of sin(w t) over an exposure T from d: sinc(w T / 2) sin(w (d + T / 2)).

    Straight lines between 50 us ticks err by (w dt)^2 / 8, two Gauss points in each half of the
    exposure by (w T / 2)^4 / 4320 (Abramowitz and Stegun, 25.4.30).
    """
    w, delay_s = 2 * np.pi * 200.0, np.array([0.0, 200e-6, 555e-6])
    edges = np.broadcast_to(np.sin(w * np.arange(21) * 50e-6)[:, None, None], (21, 2, 3))
    got = sampled(edges, delay_s / 50e-6).mean(axis=0)[0]
    exact = np.sinc(w * 150e-6 / np.pi) * np.sin(w * (delay_s + 150e-6))
    assert got == pytest.approx(exact, abs=(w * 50e-6) ** 2 / 8 + (w * 150e-6) ** 4 / 4320)
    assert np.diff(exact).min() > 0.1


def test_samples_do_not_run_past_the_frame() -> None:
    edges = np.broadcast_to(np.arange(21.0)[:, None, None], (21, 2, 1))
    assert sampled(edges, np.array([40.0])).max() == 20.0


def test_rows_start_one_after_the_other() -> None:
    delay = row_delay_s(0.5e-6, np.array([-3.0, 0.0, 10.5, 900.0]), 816)
    assert delay == pytest.approx([0.0, 0.0, 5.25e-6, 407.5e-6])
