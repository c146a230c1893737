"""Photon transfer: propagation of variances, other draws, and the standard's own software."""

import logging

import numpy as np
import pytest

from sim.calibration.photon_transfer import fit_transfer, pair_statistics
from sim.calibration.procedure import SURE


def pairs(gain, noise_e, pixels, levels_e, rng, drift=0.0):
    """Pairs of frames by numpy alone: Poisson and normal noise, rounded."""
    found = []
    for light in levels_e:
        frames = []
        for k in range(2):
            mean = light * (1.0 + drift * k)
            electrons = rng.poisson(mean, pixels) + rng.normal(0.0, noise_e, pixels)
            frames.append(np.rint(gain * electrons + 50.0).astype(np.int32))
        found.append(pair_statistics(*frames))
    return np.array(found).T


def propagated(mean, variance, pixels):
    """Shares of K and of the dark noise: var(s^2) = 2 sigma^4 / N carried by hand through the slope
    sum x y / sum x^2 of what is above the dark, and through sqrt(s0^2 - 1/12) / K."""
    x, each = mean - mean[0], 2 * variance**2 / pixels
    slope = ((variance - variance[0]) @ x) / (x @ x)
    by_dark = -x.sum() / (x @ x)
    of_slope = (x**2 @ each) / (x @ x) ** 2 + by_dark**2 * each[0]
    half = 0.5 / (variance[0] - 1 / 12)
    of_noise = half**2 * each[0] + of_slope / slope**2 - 2 * half * by_dark * each[0] / slope
    return np.sqrt(of_slope) / slope, np.sqrt(of_noise)


def test_deviations_are_those_of_propagated_variances() -> None:
    """K 0.5, 6 e-, 576 px, 12 levels to 14 000 e-: 2.3357 % of K, 3.7984 % of the dark noise."""
    levels = np.linspace(0.0, 14_000.0, 12)
    mean, variance = 0.5 * levels + 50, 0.25 * (36.0 + levels) + 1 / 12
    found = fit_transfer(mean, variance, 576, 0.5 * 14_000.0 / 0.7 + 50.1)
    assert found.used.sum() == 11
    assert found.gain_dn_per_e == pytest.approx(0.5, rel=1e-12)
    assert found.dark_noise_e == pytest.approx(6.0, rel=1e-12)
    wanted = propagated(mean, variance, 576)
    assert wanted == pytest.approx((0.023357, 0.037984), abs=5e-6)
    assert found.gain_deviation / 0.5 == pytest.approx(wanted[0], rel=1e-9)
    assert found.dark_noise_deviation / 6.0 == pytest.approx(wanted[1], rel=1e-9)


def test_deviations_of_many_pixels() -> None:
    """The same for K 0.25, 5 e-, 10 000 px, 25 levels to 7000 e-: 0.385 % and 0.845 %."""
    levels = np.linspace(0.0, 7000.0, 25)
    mean, variance = 0.25 * levels + 50, 0.0625 * (25.0 + levels) + 1 / 12
    found = fit_transfer(mean, variance, 10_000, 0.25 * 7000.0 / 0.7 + 50.1)
    linear = slice(found.used.sum() + 1)  # the dark frames and what is used
    wanted = propagated(mean[linear], variance[linear], 10_000)
    assert found.gain_deviation / 0.25 == pytest.approx(wanted[0], rel=1e-9)
    assert found.dark_noise_deviation / 5.0 == pytest.approx(wanted[1], rel=1e-9)


def test_intervals_hold_the_truth_as_often_as_they_say() -> None:
    """400 draws by numpy: 95 % within three binomial standard errors, 0.917 to 0.983."""
    rng = np.random.default_rng(3)
    levels = np.linspace(0.0, 1400.0, 12)
    held = np.zeros((400, 2), bool)
    for row in held:
        mean, variance = pairs(0.5, 6.0, 576, levels, rng)
        found = fit_transfer(mean, variance, 576, 0.5 * 2000.0 + 50)
        row[0] = abs(found.gain_dn_per_e - 0.5) < SURE * found.gain_deviation
        row[1] = abs(found.dark_noise_e - 6.0) < SURE * found.dark_noise_deviation
    share = held.mean(axis=0)
    assert (share > 0.917).all() and (share < 0.983).all(), share


def test_light_that_changes_from_frame_to_frame_is_no_noise() -> None:
    """2 % more light in each second frame: its mean goes with the difference's mean. The square of
    half of it, 49 DN^2 at 1400 e-, would raise K by 14 % at the top."""
    rng = np.random.default_rng(4)
    levels = np.linspace(0.0, 1400.0, 12)
    mean, variance = pairs(0.5, 6.0, 100_000, levels, rng, drift=0.02)
    found = fit_transfer(mean, variance, 100_000, 1050.0)
    assert found.gain_dn_per_e == pytest.approx(0.5, abs=4 * found.gain_deviation)


def test_rounding_is_taken_off_the_dark_noise() -> None:
    """At K = 0.2 and 5 e- the noise is 1 DN; with 1/12 DN^2 of rounding it would read 5.204 e-."""
    rng = np.random.default_rng(5)
    mean, variance = pairs(0.2, 5.0, 200_000, np.linspace(0.0, 7000.0, 12), rng)
    found = fit_transfer(mean, variance, 200_000, 0.2 * 10_000 + 50)
    assert found.dark_noise_e == pytest.approx(5.0, abs=4 * found.dark_noise_deviation)
    assert np.sqrt(variance[0]) / found.gain_dn_per_e > 5.15


def test_gain_agrees_with_the_standards_own_software(monkeypatch: pytest.MonkeyPatch) -> None:
    """EMVA Standard 1288, Release 4.0 Linear, by its reference implementation (emva1288).

    The same pairs go into both. It fits the same levels by the same line through the origin, so the
    gains agree but for its own choice of the last level.
    """
    pytest.importorskip("emva1288")
    monkeypatch.setattr(np, "asfarray", lambda a: np.asarray(a, np.float64), raising=False)
    monkeypatch.setattr(np, "int", int, raising=False)
    from emva1288.process.data import Data1288
    from emva1288.process.results import Results1288
    from emva1288.process.routines import get_int_imgs

    rng = np.random.default_rng(6)
    levels = np.linspace(0.0, 2600.0, 27)

    def frame(light: float) -> np.ndarray:
        electrons = np.minimum(rng.poisson(light, (200, 300)), 2000) + rng.normal(0, 6, (200, 300))
        return np.clip(np.rint(0.5 * electrons + 32), 0, 1023).astype(np.int32)

    stack = {light: [frame(light), frame(light)] for light in levels}
    temporal = {}
    for light, both in stack.items():
        pair = get_int_imgs(both)
        temporal[light] = {"sum": pair["sum"].sum(), "pvar": pair["pvar"].sum(),
                           "dmean": pair["dmean"]}  # fmt: skip
    spatial = {light: get_int_imgs([frame(light) for _ in range(8)]) for light in (0.0, 1000.0)}
    data = {"height": 200, "width": 300, "temporal": {1.0: temporal}, "spatial": {1.0: spatial}}
    quiet = {"loglevel": logging.ERROR}
    theirs = Results1288(Data1288(data, **quiet).data, **quiet)
    mean, variance = np.array([pair_statistics(*both) for both in stack.values()]).T
    ours = fit_transfer(mean, variance, 60_000, float(mean[theirs.index_u_ysat]))
    assert ours.gain_dn_per_e == pytest.approx(theirs.K, rel=3e-3)
    assert ours.dark_noise_e == pytest.approx(theirs.sigma_d, rel=3e-3)
    assert ours.gain_dn_per_e == pytest.approx(0.5, abs=4 * ours.gain_deviation)
