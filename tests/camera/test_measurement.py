"""Measurement: the layout it makes, dark signal with warmth, readings drawn from a table."""

from functools import partial

import numpy as np
import pytest

from sim.camera.equivalent_noise import NoiseTable
from sim.camera.measurement import NOISE, Measurement, image_noise
from sim.camera.settings import CameraParams
from sim.estimators.centroid import thresholded_centroid
from sim.estimators.peak import matched_filter
from sim.foundations.errors import PlugInError
from sim.foundations.ports import SpotStatus
from sim.kernels import plain
from tests.camera.test_camera_defects import BASE

RULE = {"threshold_dn": 60, "min_flux_dn": 100.0, "edge_px": 3.0}


def test_a_camera_without_a_layout_gets_the_squarest_one_that_holds_all_mirrors():
    """Ten ports need four columns, nine need three: the least square that is no smaller."""
    params = CameraParams(**BASE)
    for ports, columns in ((9, 3), (10, 4), (16, 4), (1, 1)):
        mirrors = np.arange(ports)
        layout = Measurement(params, mirrors, 1, matched_filter, None, plain).layout
        assert (layout.ports, layout.columns) == (ports, columns)


def test_warmth_without_defects_adds_dark_signal_to_every_pixel():
    """Dark signal doubles with each 8 K by the scenario's own key; pixels without a spot show it.

    EMVA 1288: mean dark signal in DN is the black level plus gain times dark electrons.
    """
    dark = {"dark_e_per_s": 1e5, "dark_doubling_k": 8.0, "noise": "none", "signal_e": 1e-3,
            "background_e": 0.0, "full_well_e": 1e5}  # fmt: skip
    params = CameraParams(**(BASE | dark))
    camera = Measurement(params, np.arange(4), 1, matched_filter, None, plain)
    position = np.full((1, 2, 4), 11.5)
    for kelvin, times in ((0.0, 1.0), (8.0, 2.0), (16.0, 4.0), (0.0, 1.0)):
        electrons = 1e5 * 300e-6 * times
        frames = camera.frames(position, 0, temperature_k=kelvin)
        assert np.abs(frames - (32.0 + 0.5 * electrons)).max() <= 1.0


def test_light_of_the_spots_is_a_factor_on_their_signal_alone():
    """At half the light half the signal is left over the dark level, to rounding."""
    params = CameraParams(**(BASE | {"noise": "none"}))
    position = np.full((1, 2, 1), 11.5)
    camera = Measurement(params, np.arange(1), 1, matched_filter, None, plain)
    dark, half, full = (
        camera.frames(position, 0, light=light).astype(float) for light in (0.0, 0.5, 1.0)
    )
    assert np.ptp(dark) == 0.0 and full.max() > 2 * dark.max()
    assert np.abs((full - dark) - 2 * (half - dark)).max() <= 2.0


def test_fused_sums_read_what_the_estimator_reads():
    estimator = partial(thresholded_centroid, **RULE)
    params, mirrors = CameraParams(**BASE), np.arange(3)
    position = np.array([[[11.3, 8.0, 0.5], [11.7, 15.2, 11.5]]])  # the last is cut by the edge
    fused, framed = (
        Measurement(params, mirrors, 5, estimator, sums, plain).read(position, 4)
        for sums in (RULE, None)
    )
    assert fused.status.tolist() == [SpotStatus.OK, SpotStatus.OK, SpotStatus.EDGE]
    assert fused.spot_px.shape == (3, 2)
    for name in ("spot_px", "flux_dn", "status"):
        np.testing.assert_array_equal(getattr(fused, name), getattr(framed, name))
    assert np.abs(fused.spot_px[:2] - position[0].T[:2]).max() < 0.2


def test_drawn_readings_scatter_by_their_table_anew_in_every_frame():
    """Mean and covariance of n normal pairs: standard errors by Wishart's law; five of them."""
    m = 4096
    root = np.tile([0.03, 0.02, 0.04], (3, 3, 1))
    bias = np.tile([0.1, -0.2], (3, 3, 1))
    camera = Measurement(CameraParams(**BASE), np.arange(m), 7, matched_filter, None, plain)
    camera.table = NoiseTable(bias, root, 900.0, 10.5, 10.5, 1.0, 1.0)
    position = np.full((1, 2, m), 11.5)
    first, again, second = (camera.read(position, frame) for frame in (3, 3, 4))
    assert (first.status == SpotStatus.OK).all() and (first.flux_dn == 900.0).all()
    np.testing.assert_array_equal(first.spot_px, again.spot_px)
    lower = np.array([[0.03, 0.0], [0.02, 0.04]])
    wanted = lower @ lower.T
    errors = [each.spot_px - 11.5 - bias[0, 0] for each in (first, second)]
    size = np.sqrt(np.diag(wanted))
    for error in errors:
        assert (np.abs(error.mean(axis=0)) < 5 * size / np.sqrt(m)).all()
        spread = np.sqrt((np.outer(size, size) ** 2 + wanted**2) / m)
        assert (np.abs(np.cov(error.T) - wanted) < 5 * spread).all()
    between = errors[0].T @ errors[1] / m
    assert (np.abs(between) < 5 * np.outer(size, size) / np.sqrt(m)).all()


def test_whole_fields_hold_what_the_windows_show():
    """A window is a part of its mirror's field: 24 x 24 px of 64 x 64, where the corners say."""
    params, mirrors = CameraParams(**(BASE | {"noise": "none", "dark_e_per_s": 1e5})), np.arange(9)
    camera = Measurement(params, mirrors, 1, matched_filter, None, plain)
    position = np.stack([np.linspace(8.0, 15.0, 9), np.linspace(14.0, 9.0, 9)])[None]
    origin = np.tile([-11.0, -11.0], (9, 1)) + np.arange(9)[:, None]
    which = np.array([7, 2])
    for kelvin, light in ((0.0, 1.0), (4.0, 0.5)):
        fields = camera.fields(which, position, 0, origin, kelvin, light)
        windows = camera.frames(position, 0, origin, kelvin, light)
        assert fields.shape == (2, 64, 64)
        for field, m in zip(fields, which, strict=True):
            x, y = (origin[m] + camera.centre_px[m] - camera.layout.corner(mirrors)[m]).astype(int)
            found = field[y : y + 24, x : x + 24]
            np.testing.assert_allclose(found, windows[m], atol=1)
            assert field.max() == found.max() and found.max() > found.min() + 100


def test_a_reading_that_is_none_is_refused_with_estimator_mirror_and_time():
    def broken(frames_dn, *, camera):
        reading = thresholded_centroid(frames_dn, camera=camera, **RULE)
        reading.spot_px[1] = np.inf
        return reading

    camera = Measurement(CameraParams(**BASE), np.array([3, 7]), 1, broken, None, plain)
    with pytest.raises(PlugInError, match=r'estimator "estimator": mirror 7, 5 ms: '):
        camera.read(np.full((1, 2, 2), 11.5), 5)
    broken.kind = "own"
    camera.estimator = lambda frames_dn, *, camera: None
    camera.estimator.kind = "own"
    with pytest.raises(PlugInError, match=r'estimator "own": 5 ms: '):
        camera.read(np.full((1, 2, 2), 11.5), 5)


@pytest.mark.parametrize(
    ("noise", "read_noise_e", "drawn"),
    [("equivalent", 1.0, "fast"), ("equivalent", 0.99, "exact"), ("exact", 6.0, "exact"),
     ("fast", 6.0, "fast"), ("none", 6.0, "none")],
)  # fmt: skip
def test_images_behind_equivalent_noise_have_the_noise_that_their_camera_allows(
    noise, read_noise_e, drawn
):
    params = CameraParams(**(BASE | {"noise": noise, "read_noise_e": read_noise_e}))
    assert image_noise(params) == NOISE[drawn]
