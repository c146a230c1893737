"""Random wander: variance, exact step, spectrum and Allan deviation against closed forms."""

from pathlib import Path

import allantools
import numpy as np
import pytest
from pydantic import ValidationError
from scipy.signal import welch
from scipy.stats import chi2

from sim.disturbances.drift import Drift, DriftParams, RandomWalk, RandomWalkParams
from sim.foundations.errors import ScenarioError
from sim.foundations.ports import Clock, Site

# The example of an Ornstein-Uhlenbeck process x' = -theta x + sigma w with theta = 0.5 1/s and
# sigma = 0.2: stationary variance sigma^2/(2 theta) = 0.04. Values below are computed from
# closed forms (Gillespie, Phys. Rev. E 54 (1996) 2084, for step and spectrum).
THETA, SIGMA = 0.5, 0.2
FRAME_S = 0.01
URAD = 1e-6


def drift(n_frames, n_mirrors, *, seed=1, start="stationary"):
    clock = Clock(FRAME_S / 10, 10, n_frames)
    params = DriftParams(kind="drift", sigma_urad=0.2, correlation_s=1 / THETA, start=start)
    return Drift(params, Site(clock, np.arange(n_mirrors), (seed, 64), Path(".")))


def paths(disturbance, n_frames):
    """Return (F + 1, signals) in microradians."""
    _, effects = disturbance.advance(disturbance.initial_state(), 0, n_frames)
    return effects.rest_rad.reshape(n_frames + 1, -1) / URAD


def chi2_range(count):
    """Return the 99.9 % range of a sample variance over `count` independent draws."""
    return chi2.ppf([0.0005, 0.9995], count) / count


def test_stationary_variance_holds_from_the_first_edge_to_the_last():
    path = paths(drift(2000, 1000), 2000)
    low, high = chi2_range(2000)
    for edge in (0, 1, 700, 2000):  # 2000 independent signals at each
        assert low < np.mean(path[edge] ** 2) / 0.04 < high


def test_step_is_the_exact_one_and_not_eulers():
    # a = exp(-theta dt) = 0.99501248, q = sigma^2 (1 - a^2)/(2 theta) = 3.98006650e-4; Euler's
    # step would have a = 0.995 and q = 4e-4, and its variance would be 1.002506 times too large.
    path = paths(drift(4000, 250), 4000)
    before, after = path[:-1].ravel(), path[1:].ravel()
    increments = after - 0.99501248 * before
    low, high = chi2_range(increments.size)
    assert low < np.mean(increments**2) / 3.98006650e-4 < high
    assert not low < np.mean(increments**2) / 4e-4 < high
    # The estimate of a over n steps has standard deviation sqrt((1 - a^2)/n), 7e-5 here.
    estimate = before @ after / (before @ before)
    assert abs(estimate - 0.99501248) < 3.3 * np.sqrt(3.98006650e-4 / 0.04 / increments.size)
    # Without noise, the step itself is exact to rounding.
    quiet = drift(1, 1)
    assert quiet._keep == pytest.approx(0.99501248, abs=5e-9)
    assert (quiet._step_rad / URAD) ** 2 == pytest.approx(3.98006650e-4, rel=5e-9)


def test_spectrum_is_the_one_sided_lorentzian():
    # One-sided 2 sigma^2/(theta^2 + w^2): 0.16 at the corner of 0.0796 Hz, 0.00201367 at 1 Hz.
    def lorentzian(frequency_hz):
        return 2 * SIGMA**2 / (THETA**2 + (2 * np.pi * frequency_hz) ** 2)

    assert lorentzian(THETA / (2 * np.pi)) == pytest.approx(0.16, rel=1e-12)
    assert lorentzian(1.0) == pytest.approx(0.00201367, rel=5e-6)
    n_mirrors, length = 60, 4096
    path = paths(drift(3 * length, n_mirrors, seed=5), 3 * length)[1:]
    f_hz, density = welch(path, fs=1 / FRAME_S, nperseg=length, detrend=False, axis=0)
    mean = density.mean(axis=1)
    # 5 half-overlapping Hann segments of 120 signals: each bin scatters by sqrt(19/(18 K)),
    # K = 600 segments. Bands of ten bins; 4 standard deviations, plus 1 % for the window's
    # leakage (bins of 0.024 Hz against a corner of 0.08 Hz) and for folding at 50 Hz.
    for low in (10, 40, 160):
        band = slice(low, low + 10)
        ratio = np.mean(mean[band] / lorentzian(f_hz[band]))
        assert abs(ratio - 1.0) < 4 * np.sqrt(19 / (18 * 600 * 10)) + 0.01


def test_allan_deviation_is_the_closed_form():
    # Variance sigma^2/(theta^2 T) [1 - (3 - 4 e^-tT + e^-2tT)/(2 t T)], t = theta (derived, and
    # integrated numerically); deviations at T = 1, 3.78, 10 s. Angles go in as data_type="freq".
    closed = {1.0: 0.0965345, 3.78: 0.1234728, 10.0: 0.1060333}
    for taus, want in closed.items():
        t = THETA * taus
        formula = (
            SIGMA**2 / (THETA**2 * taus) * (1 - (3 - 4 * np.exp(-t) + np.exp(-2 * t)) / (2 * t))
        )
        assert np.sqrt(formula) == pytest.approx(want, rel=1e-5)
    path = paths(drift(20_000, 20, seed=3), 20_000)[1:]
    taus = np.array(sorted(closed))
    squares = []
    for signal in path.T:
        _, deviation, _, _ = allantools.oadev(signal, rate=1 / FRAME_S, data_type="freq", taus=taus)
        squares.append(deviation**2)
    # 40 independent signals: their own scatter gives the standard error; 4 of them are allowed.
    mean, error = np.mean(squares, axis=0), np.std(squares, axis=0, ddof=1) / np.sqrt(40)
    want = np.array([closed[t] ** 2 for t in taus])
    assert np.all(np.abs(mean - want) < 4 * error)
    assert np.all(error / want < 0.07)  # so that the test has teeth


def test_start_zero_grows_to_the_stationary_variance():
    path = paths(drift(1000, 1000, start="zero"), 1000)
    np.testing.assert_array_equal(path[0], 0.0)
    low, high = chi2_range(2000)
    for edge in (10, 200, 1000):
        want = 0.04 * (1 - np.exp(-2 * THETA * edge * FRAME_S))
        assert low < np.mean(path[edge] ** 2) / want < high


def test_mirrors_and_axes_are_independent():
    path = paths(drift(1, 20_000), 1)[0].reshape(-1, 2)
    # Correlation of n independent pairs scatters by 1/sqrt(n); 4 of them.
    assert abs(np.corrcoef(path.T)[0, 1]) < 4 / np.sqrt(20_000)
    assert abs(np.corrcoef(path[:-1, 0], path[1:, 0])[0, 1]) < 4 / np.sqrt(20_000)


def walk(n_frames, n_mirrors, rate):
    clock = Clock(FRAME_S / 10, 10, n_frames)
    params = RandomWalkParams(kind="random_walk", rate_urad_per_sqrt_s=rate)
    return RandomWalk(params, Site(clock, np.arange(n_mirrors), (2, 64), Path(".")))


def test_random_walk_grows_as_the_root_of_time():
    path = paths(walk(1000, 1000, 3.0), 1000)
    low, high = chi2_range(2000)
    for edge in (1, 100, 1000):
        assert low < np.mean(path[edge] ** 2) / (9.0 * edge * FRAME_S) < high


def test_allan_deviation_of_a_random_walk_rises_by_half_a_power():
    # K sqrt(tau/3): rate random walk (the name is that of IEEE Std 952, from memory, not checked
    # against the document). For a path that is sampled with step dt the exact variance is
    # K^2 tau (1 + (dt/tau)^2/2)/3, 5e-5 more at tau = 1 s.
    rate = 0.003
    path = paths(walk(20_000, 20, rate), 20_000)[1:]
    taus = np.array([1.0, 10.0])
    squares = np.array(
        [
            allantools.oadev(signal, rate=1 / FRAME_S, data_type="freq", taus=taus)[1] ** 2
            for signal in path.T
        ]
    )
    mean, error = squares.mean(axis=0), squares.std(axis=0, ddof=1) / np.sqrt(len(squares))
    assert np.sqrt(rate**2 * 1.0 / 3) == pytest.approx(0.00173205, rel=2e-6)
    assert np.all(np.abs(mean - rate**2 * taus / 3) < 4 * error)
    assert np.all(error / mean < 0.1)


def test_white_increments_fall_by_half_a_power():
    # White noise of one-sided density S: sqrt(S/(2 tau)) (angle random walk). The increments of
    # the walk are white with S = 2 variance dt.
    path = np.diff(paths(walk(20_000, 20, 1.0), 20_000), axis=0)
    density = 2 * (1.0 * FRAME_S) * FRAME_S
    taus = np.array([0.1, 1.0])
    squares = np.array(
        [
            allantools.oadev(signal, rate=1 / FRAME_S, data_type="freq", taus=taus)[1] ** 2
            for signal in path.T
        ]
    )
    mean, error = squares.mean(axis=0), squares.std(axis=0, ddof=1) / np.sqrt(len(squares))
    assert np.all(np.abs(mean - density / (2 * taus)) < 4 * error)
    assert np.all(error / mean < 0.1)


def test_correlation_shorter_than_ten_frames_is_refused():
    params = DriftParams(kind="drift", sigma_urad=1.0, correlation_s=0.009, start="zero")
    site = Site(Clock(5e-5, 20, 10), np.arange(2), (1, 64), Path("."))
    message = "correlation_s must be at least 10 frames, 0.01 s, got 0.009 s"
    with pytest.raises(ScenarioError, match=message):
        Drift(params, site)


@pytest.mark.parametrize(
    "change", [{"sigma_urad": -1.0}, {"correlation_s": 0.0}, {"start": "warm"}, {"seed": 1}]
)
def test_bad_parameters_are_refused(change):
    settings = {"kind": "drift", "sigma_urad": 1.0, "correlation_s": 1.0, "start": "zero"}
    with pytest.raises(ValidationError, match=next(iter(change))):
        DriftParams(**(settings | change))
