"""Peaks: bias on noise-free frames, scatter, and what cannot be read."""

import numpy as np
import pytest

from sim.estimators.bounds import position_bound_px
from sim.estimators.peak import correlation, log_peak, matched_filter
from sim.estimators.spot_model import pixel_integrated
from sim.foundations.ports import SpotStatus

OPEN = {"min_flux_dn": 10.0, "edge_px": 0.0}


def phases():
    x, y = np.meshgrid(np.linspace(-0.45, 0.45, 10), np.linspace(-0.45, 0.45, 10))
    return 11.0 + np.stack([x.ravel(), y.ravel()], axis=-1)


def test_log_parabola_on_a_pixel_integrated_gaussian(make_frames, fine_camera):
    # The logarithm of the pixel-integrated spot is not quite a parabola: the pixel's fourth
    # cumulant, -1/120, adds x^4 / (2880 sigma^8), which bends the vertex by about 1e-4 px at
    # s = 1.2 px.
    spots = phases()
    reading = log_peak(make_frames(spots, fine_camera, 1e7), camera=fine_camera, **OPEN)
    assert np.abs(reading.spot_px - spots).max() < 3e-4


@pytest.mark.parametrize("left_in_e", [200.0, 1000.0])
def test_log_peak_bends_with_a_wrong_background(make_frames, fine_camera, left_in_e):
    # Second route: numpy's polynomial through the three logarithms of spot plus the background
    # left in. Tolerance: rounding to digital numbers.
    x = 11.0 + np.linspace(-0.45, 0.45, 10)
    spots = np.stack([x, np.full(10, 11.0)], axis=-1)
    wrong = fine_camera._replace(background_e=10.0 - left_in_e)
    reading = log_peak(make_frames(spots, fine_camera, 20000), camera=wrong, **OPEN)
    values = 20000 * pixel_integrated(spots, 1.2, (24, 24))[:, 11, 10:13] + left_in_e
    fits = np.polynomial.polynomial.polyfit([10, 11, 12], np.log(values).T, 2)
    vertex = -fits[1] / (2 * fits[2])
    np.testing.assert_allclose(reading.spot_px[:, 0], vertex, atol=1e-4)
    # The spot's peak is 2200 e. A tenth left in bends by 0.003 px, a half by 0.012 px.
    bend = {200.0: 0.0034, 1000.0: 0.012}[left_in_e]
    assert np.abs(reading.spot_px[:, 0] - x).max() == pytest.approx(bend, rel=0.1)


def test_matched_filter_on_noise_free_frames(make_frames, fine_camera):
    # As for the log parabola: two pixels' cumulants over twice the variance bend by less.
    spots = phases()
    reading = matched_filter(make_frames(spots, fine_camera, 1e7), camera=fine_camera, **OPEN)
    assert np.abs(reading.spot_px - spots).max() < 3e-4


def test_correlation_is_with_the_shifted_spot_of_unit_length():
    # Second route: pictures of the spot at each pixel, scaled, multiplied and summed.
    light = np.random.default_rng(12).normal(size=(2, 7, 9))
    y, x = np.mgrid[:7, :9]
    shifted = pixel_integrated(np.stack([x.ravel(), y.ravel()], axis=-1), 1.3, (7, 9))
    shifted /= np.sqrt((shifted**2).sum(axis=(1, 2), keepdims=True))
    wanted = np.einsum("mhw,khw->mk", light, shifted).reshape(2, 7, 9)
    np.testing.assert_allclose(correlation(light, 1.3), wanted, rtol=1e-12, atol=1e-14)


def test_scatter_against_the_bound(make_frames, camera):
    # Ratio to the bound as the guide states it for the demo spot, 1.15 and 7.3, pins from this
    # code; tolerance 3 / sqrt(2 n) of n = 2000 values, 5 %. The unweighted filter cannot beat the
    # unweighted fit: (16/9)^0.5 = 1.33 is the limit at much light (Mortensen et al. 2010).
    rng = np.random.default_rng(13)
    spots = 11.5 + rng.uniform(-0.5, 0.5, (1000, 2))
    frames = make_frames(spots, camera, 20000, rng=rng)
    noise_e = np.sqrt(36 + 1 / (12 * 0.25))
    bound = position_bound_px(20000, 1.8, 20, noise_e, (24, 24), (11.5, 11.5)).mean()
    for estimator, ratio in ((matched_filter, 1.15), (log_peak, 7.3)):
        error = estimator(frames, camera=camera, **OPEN).spot_px - spots
        assert np.sqrt((error**2).mean()) / bound == pytest.approx(ratio, rel=0.05)


def test_a_flat_top_cannot_be_read(camera):
    frames = np.full((1, 9, 9), 42, dtype=np.int32)
    frames[0, 3:6, 3:6] = 1023
    reading = log_peak(frames, camera=camera, **OPEN)
    assert reading.status[0] != SpotStatus.OK
    assert np.isnan(reading.spot_px).all()


def test_a_peak_on_the_outermost_pixel_is_edge(make_frames, camera):
    frames = make_frames([[0.2, 11.0], [11.0, 23.4]], camera, 20000)
    for estimator in (log_peak, matched_filter):
        reading = estimator(frames, camera=camera, **OPEN)
        assert reading.status.tolist() == [SpotStatus.EDGE] * 2
