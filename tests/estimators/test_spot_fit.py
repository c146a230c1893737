"""Fits: against the bound, against scipy's optimisers, and with wrong beliefs."""

import numpy as np
import pytest
from scipy.optimize import least_squares, minimize

from sim.estimators.bounds import position_bound_px
from sim.estimators.fit import gaussian_fit, poisson_fit
from sim.estimators.spot_model import pixel_integrated
from sim.foundations.ports import SpotStatus

OPEN = {"min_flux_dn": 10.0, "edge_px": 0.0}
WINDOW = (16, 16)


def noisy(make_frames, camera, signal_e, n, seed):
    rng = np.random.default_rng(seed)
    spots = 7.5 + rng.uniform(-0.5, 0.5, (n, 2))
    return spots, make_frames(spots, camera, signal_e, shape=WINDOW, rng=rng)


@pytest.mark.parametrize(
    ("signal_e", "bound"), [(500, 0.11408), (5000, 0.02166), (50000, 0.005802)]
)
def test_likelihood_fit_reaches_the_bound(make_frames, fine_camera, signal_e, bound):
    # Source: Winick, J. Opt. Soc. Am. A 3 (1986) 1809 (from memory). Stated: ratio in [0.95, 1.08].
    # n = 2000 values have a statistical error of 1.6 % at one sigma.
    spots, frames = noisy(make_frames, fine_camera, signal_e, 1000, 6)
    assert position_bound_px(signal_e, 1.2, 10, 5, WINDOW, (7.5, 7.5))[0, 0] == pytest.approx(
        bound, rel=1e-3
    )
    reading = poisson_fit(frames, camera=fine_camera, **OPEN)
    assert np.all(reading.status == SpotStatus.OK)
    error = reading.spot_px - spots
    assert 0.95 < np.sqrt((error**2).mean()) / bound < 1.08
    assert np.all(np.abs(error.mean(axis=0)) < 4 * bound / np.sqrt(1000))


@pytest.mark.parametrize(("signal_e", "scatter"), [(5000, 0.02476), (50000, 0.007415)])
def test_least_squares_fit_scatters_as_mortensen_says(make_frames, fine_camera, signal_e, scatter):
    # Source: Mortensen et al., Nat. Methods 7 (2010) 377, least squares (formula from memory):
    # 0.02497 and 0.007415; an independent Monte Carlo of the first gave 0.02476. Tolerance
    # 3 / sqrt(2 n) of n = 2000 values, 4.7 %, and 1 % between formula and Monte Carlo.
    spots, frames = noisy(make_frames, fine_camera, signal_e, 1000, 7)
    reading = gaussian_fit(frames, camera=fine_camera, **OPEN)
    rms = np.sqrt(((reading.spot_px - spots) ** 2).mean())
    assert rms == pytest.approx(scatter, rel=0.057)


def charges(frames, camera):
    return (frames - camera.black_dn) / camera.gain_dn_per_e


def model(values, sigma_px):
    return values[2] * pixel_integrated([values[:2]], sigma_px, WINDOW)[0] + values[3]


def test_least_squares_fit_is_scipys_minimum(make_frames, fine_camera):
    # Second route: scipy's trust-region solver on the same sum. Tolerance: both stop within
    # 1e-6 px of a stationary point.
    spots, frames = noisy(make_frames, fine_camera, 2000, 6, 8)
    reading = gaussian_fit(frames, camera=fine_camera, tolerance_px=1e-8, **OPEN)
    for charge, spot, got, flux in zip(
        charges(frames, fine_camera), spots, reading.spot_px, reading.flux_dn, strict=True
    ):
        wanted = least_squares(
            lambda v, d=charge: (model(v, 1.2) - d).ravel(),
            [*spot, 2000.0, 10.0],
            x_scale=[0.1, 0.1, 100.0, 1.0],
            xtol=1e-12,
            ftol=1e-14,
            gtol=1e-12,
        ).x
        np.testing.assert_allclose(got, wanted[:2], atol=2e-6)
        assert flux == pytest.approx(wanted[2] * fine_camera.gain_dn_per_e, rel=1e-5)


@pytest.mark.parametrize(("gain_dn_per_e", "read_noise_e"), [(4.0, 5.0), (0.1, 1.0)])
def test_likelihood_fit_is_scipys_minimum(make_frames, fine_camera, gain_dn_per_e, read_noise_e):
    # Second route: Nelder and Mead on the negative log likelihood itself, no derivatives. Its
    # flat bottom lets it see 1e-4 px. With the second camera rounding, 8.3 e^2, outweighs read
    # noise: leaving it out moves the answer by more than that.
    camera = fine_camera._replace(gain_dn_per_e=gain_dn_per_e, read_noise_e=read_noise_e)
    spots, frames = noisy(make_frames, camera, 2000, 4, 9)
    reading = poisson_fit(frames, camera=camera, tolerance_px=1e-8, **OPEN)

    def minimum(charge, spot, noise_e2):
        def cost(v):
            mean = np.maximum(model(v * [1, 1, 1000, 10], 1.2) + noise_e2, 1e-3)
            return (mean - (charge + noise_e2) * np.log(mean)).sum()

        options = {"xatol": 1e-7, "fatol": 1e-10, "maxiter": 4000, "maxfev": 4000}
        return minimize(cost, [*spot, 2.0, 1.0], method="Nelder-Mead", options=options).x[:2]

    rounding_e2 = 1 / (12 * gain_dn_per_e**2)
    pairs = list(zip(charges(frames, camera), spots, strict=True))
    wanted = [minimum(*pair, read_noise_e**2 + rounding_e2) for pair in pairs]
    np.testing.assert_allclose(reading.spot_px, wanted, atol=1e-4)
    if rounding_e2 > read_noise_e**2:
        without = [minimum(*pair, read_noise_e**2) for pair in pairs]
        assert np.abs(reading.spot_px - without).max() > 5e-4


@pytest.mark.parametrize("fit", [gaussian_fit, poisson_fit])
def test_wrong_beliefs_do_not_shift_the_reading(make_frames, fine_camera, fit):
    # Background is fitted; a wrong width or gain is symmetric about the spot. What is left is the
    # pixel phase of the wrong profile, below 1e-3 px.
    spots = 7.5 + np.random.default_rng(10).uniform(-0.5, 0.5, (30, 2))
    frames = make_frames(spots, fine_camera, 20000, shape=WINDOW)
    for wrong in (
        {"background_e": 25.0},
        {"spot_sigma_px": 1.4},
        {"gain_dn_per_e": 3.0},
        {"read_noise_e": 20.0},
    ):
        reading = fit(frames, camera=fine_camera._replace(**wrong), **OPEN)
        np.testing.assert_allclose(reading.spot_px, spots, atol=1e-3)


@pytest.mark.parametrize("fit", [gaussian_fit, poisson_fit])
def test_noise_free_frames_are_read_exactly(make_frames, fine_camera, fit):
    # Only rounding to whole numbers is left, about 1e-4 of a digital number per pixel.
    spots = 7.5 + np.random.default_rng(11).uniform(-3, 3, (30, 2))
    frames = make_frames(spots, fine_camera, 1e6, shape=WINDOW)
    reading = fit(frames, camera=fine_camera, **OPEN)
    np.testing.assert_allclose(reading.spot_px, spots, atol=1e-5)
    np.testing.assert_allclose(reading.flux_dn, 4e6, rtol=1e-4)


@pytest.mark.parametrize("fit", [gaussian_fit, poisson_fit])
def test_a_fit_that_does_not_arrive_is_failed(make_frames, camera, fit):
    frames = make_frames([[11.2, 12.3]], camera, 20000)
    reading = fit(frames, camera=camera, max_iterations=1, tolerance_px=1e-9, **OPEN)
    assert reading.status[0] == SpotStatus.FAILED
    assert np.isnan(reading.spot_px).all()
    assert reading.flux_dn[0] == pytest.approx(10000, rel=0.02)
