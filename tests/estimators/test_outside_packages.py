"""The same frames through photutils, and real stars of an observatory's camera."""

from importlib.metadata import PackageNotFoundError, distribution

import numpy as np
import pytest

from sim.estimators.bounds import position_bound_px
from sim.estimators.centroid import thresholded_centroid, weighted_centroid
from sim.estimators.fit import gaussian_fit, poisson_fit
from sim.estimators.peak import matched_filter
from sim.foundations.ports import CameraBelief, SpotStatus

OPEN = {"min_flux_dn": 10.0, "edge_px": 0.0}


@pytest.fixture
def scene(make_frames, camera):
    rng = np.random.default_rng(26)
    spots = 11.5 + rng.uniform(-1, 1, (25, 2))
    return spots, make_frames(spots, camera, 20000, rng=rng)


def test_thresholded_centroid_is_photutils_centre_of_mass(scene, camera):
    # The same sums in another order: equal to rounding.
    centroids = pytest.importorskip("photutils.centroids")
    _, frames = scene
    reading = thresholded_centroid(frames, camera=camera, threshold_dn=57, **OPEN)
    wanted = [centroids.centroid_com(np.maximum(frame - 57.0, 0)) for frame in frames]
    np.testing.assert_allclose(reading.spot_px, wanted, rtol=1e-12)


def test_least_squares_fit_agrees_with_photutils_gaussian(scene, camera):
    # That fit has free widths and a turn, and samples its Gaussian at pixel centres; by symmetry
    # neither moves the centre. Without weights both have the same scatter, about 1.15 of the
    # bound, and must differ by far less than it: half of the bound is allowed.
    centroids = pytest.importorskip("photutils.centroids")
    spots, frames = scene
    reading = gaussian_fit(frames, camera=camera, **OPEN)
    wanted = np.array([centroids.centroid_2dg(frame - 42.0) for frame in frames])
    bound = position_bound_px(20000, 1.8, 20, 6, (24, 24), (11.5, 11.5)).mean()
    assert np.sqrt(((reading.spot_px - wanted) ** 2).mean()) < 0.5 * bound
    assert np.sqrt(((wanted - spots) ** 2).mean()) < 2 * bound


@pytest.fixture(scope="module")
def star():
    """Return an 11 x 11 cut about the lone star near (451, 434) of a real picture, and its camera.

    Test data of the ccdproc package: 1.0 m telescope and STE3 camera of the South African
    Astronomical Observatory, 1.9 e/DN, read noise 5 e, by its header. The star's rms width within
    the cut is 2.7 px along x and 2.6 px along y; the belief of 2.5 px is that less the pixel and
    some of the wings, which no Gaussian has.
    """
    fits = pytest.importorskip("astropy.io.fits")
    try:
        path = distribution("ccdproc").locate_file("ccdproc/tests/data/a8280271.fits")
    except PackageNotFoundError:
        pytest.skip("ccdproc, whose test data hold the picture, is not installed")
    with fits.open(str(path)) as file:
        picture = file[0].data.astype(np.int32)
    frame = picture[429:440, 446:457]
    level = float(np.median(picture))
    return frame[None], CameraBelief(0.0, 1 / 1.9, level * 1.9, 5.0, 65535, 2.5)


@pytest.mark.parametrize(("column", "row"), [(277, 24), (254, 31)])
def test_estimators_agree_on_stars_of_a_cluster(column, row):
    # A picture of the globular cluster M13 among the test data of astropy; gain and read noise are
    # not known, so e-/DN = 1 and 5 e are taken. Its two loneliest bright stars, 11 x 11 pixels,
    # rms width about 1.6 px. Agreement only, 0.1 px; seen: 0.02 px.
    fits = pytest.importorskip("astropy.io.fits")
    path = distribution("astropy").locate_file("astropy/io/fits/hdu/compressed/tests/data/m13.fits")
    with fits.open(str(path)) as file:
        picture = next(part.data for part in file if part.data is not None).astype(np.int32)
    level = float(np.median(picture[row - 10 : row + 11, column - 10 : column + 11]))
    frames = picture[row - 5 : row + 6, column - 5 : column + 6][None]
    camera = CameraBelief(0.0, 1.0, level, 5.0, 65535, 1.6)
    step = int(0.2 * (frames[0, 5, 5] - level))
    assert_agreement(frames, camera, threshold_dn=int(level) + step)


def test_estimators_agree_on_a_lone_star(star):
    # Agreement only: centroids of photutils agree among themselves on this star to about 0.05 px.
    frames, camera = star
    level = camera.background_e * camera.gain_dn_per_e
    assert_agreement(frames, camera, threshold_dn=int(level) + 30)


def assert_agreement(frames, camera, *, threshold_dn):
    """Hold every estimator to 0.1 px of the two-dimensional Gaussian of photutils."""
    centroids = pytest.importorskip("photutils.centroids")
    wanted = centroids.centroid_2dg(frames[0] - camera.background_e * camera.gain_dn_per_e)
    sigma_px = camera.spot_sigma_px
    readings = {
        "weighted": weighted_centroid(frames, camera=camera, weight_sigma_px=sigma_px, **OPEN),
        "least squares": gaussian_fit(frames, camera=camera, **OPEN),
        "likelihood": poisson_fit(frames, camera=camera, **OPEN),
        "matched": matched_filter(frames, camera=camera, **OPEN),
        "threshold": thresholded_centroid(
            frames, camera=camera, threshold_dn=threshold_dn, **OPEN
        ),
    }
    for name, reading in readings.items():
        assert reading.status[0] == SpotStatus.OK, name
        assert np.abs(reading.spot_px[0] - wanted).max() < 0.1, (name, reading.spot_px[0], wanted)
