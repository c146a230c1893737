"""Whole sensor images against the windows that the loop reads."""

from typing import Any

import numpy as np
import pytest

from sim.camera.measurement import Measurement
from sim.camera.mosaic import cut_windows, flat_field, mosaic
from sim.camera.sensor import make_layout
from sim.camera.settings import CameraParams, believed, make_camera
from sim.estimators.peak import matched_filter
from sim.estimators.spot_model import pixel_integrated
from sim.kernels import compiled, plain
from tests.camera.test_camera_defects import BASE, EVERYTHING, scattered

LIT = np.r_[0:9, 11:24, 25:40]
SEED = 9


def layout_of(params: CameraParams) -> Any:
    return make_layout(params, 24, 6)


def image(params: CameraParams, spots: np.ndarray, **how: Any) -> np.ndarray:
    layout = layout_of(params)
    args = {"mirrors": LIT, "seed": SEED, "kernels": compiled, "frame": 3} | how
    return mosaic(params, layout, spots, **args)


@pytest.mark.parametrize("array", [0, 1])
def test_windows_cut_from_the_image_are_those_of_the_loop(array: int) -> None:
    """Expected light, pattern and defects alike; light is added up in another order: 1 DN."""
    params = CameraParams(**(BASE | EVERYTHING | {"noise": "none", "defocus_px_per_k": 0.1}))
    layout = layout_of(params)
    spots = scattered(len(LIT), 22.0)
    here = layout.sensor(LIT) == array
    whole = image(params, spots, array=array, temperature_k=5.0)
    assert whole.shape == layout.shape == (304, 432)
    at = spots[here] + layout.centre(LIT[here])
    cut, origin = cut_windows(whole, at, params.window_px)
    measurement = Measurement(params, LIT, SEED, matched_filter, None, compiled, layout)
    own = np.zeros((len(LIT), 2))
    own[here] = origin - layout.centre(LIT[here])
    position = (spots - own).T[None]
    frames = measurement.frames(position, 3, own, 5.0)[here]
    assert np.abs(frames - cut).max() <= 1
    assert (frames != cut).mean() < 1e-3
    assert frames.max() > 300


def test_any_estimator_reads_one_real_image() -> None:
    """The bound at 20 000 e- is near 0.015 px; the matched filter is within 5 of it everywhere."""
    params = CameraParams(**BASE)
    layout = layout_of(params)
    spots = scattered(len(LIT), 20.0)
    here = layout.sensor(LIT) == 0
    at = spots[here] + layout.centre(LIT[here])
    frames, origin = cut_windows(image(params, spots), np.round(at + 1.0), params.window_px)
    reading = matched_filter(frames, camera=believed(make_camera(params)), min_flux_dn=500.0,
                             edge_px=3.0)  # fmt: skip
    assert (reading.status == 0).all()
    assert np.abs(origin + reading.spot_px - at).max() < 0.075


def test_a_spot_on_the_edge_of_its_field_is_whole() -> None:
    """In both fields and the corner where four meet, to rounding."""
    params = CameraParams(**(BASE | {"noise": "none"}))
    spot = np.array([[31.4, -31.8]])
    whole = mosaic(params, layout_of(params), spot, mirrors=[8], seed=1, kernels=compiled)
    at = spot + layout_of(params).centre(np.array([8]))
    light = pixel_integrated(at, 1.8, whole.shape)[0]
    expected = np.floor(0.5 * np.minimum(20 + 20000 * light, 1900) + 32.5)
    assert np.abs(whole - expected).max() <= 1
    assert whole.max() > 300


def test_the_margin_shows_no_light_of_a_spot_that_strays_there() -> None:
    """As stated: the light within the field is there, and the margin is even."""
    params = CameraParams(**(BASE | {"noise": "none"}))
    layout = layout_of(params)
    for mirror in (0, 1):
        whole = mosaic(params, layout, [[0.0, -31.8]], mirrors=[mirror], seed=1, kernels=compiled)
        margin = whole[: layout.rim_px]
        assert (margin == margin[0, 0]).all()
        assert whole[layout.rim_px].max() > 300


def test_dark_mirrors_are_dark_and_the_twin_agrees() -> None:
    params = CameraParams(**(BASE | EVERYTHING))
    spots = scattered(len(LIT), 20.0)
    fast, meant = (image(params, spots, kernels=k) for k in (compiled, plain))
    apart = np.abs(fast - meant)
    assert apart.max() <= 1 and (apart > 0).mean() < 1e-3
    quiet = image(CameraParams(**BASE), spots)
    x, y = layout_of(CameraParams(**BASE)).corner(np.array([9]))[0]
    assert quiet[y + 12 : y + 52, x + 12 : x + 52].max() < 32 + 0.5 * (20 + 6 * np.sqrt(56))


def test_image_noise_is_drawn_anew_each_frame_and_light_is_not() -> None:
    params = CameraParams(**BASE)
    spots = scattered(len(LIT), 20.0)
    a, b = (image(params, spots, frame=k).astype(float) for k in (0, 1))
    field = np.s_[24:-24, 24:-24]
    dark = (a[field] < 80) & (b[field] < 80)
    difference = (a - b)[field][dark]
    assert difference.var() == pytest.approx(2 * (0.25 * (20 + 36) + 1 / 12), rel=0.03)
    noise = np.sqrt(2 * (a[field].size * (0.25 * 56 + 1 / 12) + 23 * 0.25 * 20000))
    assert abs(a[field].sum() - b[field].sum()) < 4.5 * noise


def test_photons_become_electrons_by_the_quantum_efficiency() -> None:
    """200 photons at 40 % are 80 e-: 40 DN over black."""
    params = CameraParams(**(BASE | {"quantum_efficiency": 0.4, "noise": "none"}))
    flat = flat_field(params, layout_of(params), 200.0, seed=1, kernels=compiled)
    assert (flat == 72).all()


def test_bad_input_is_refused() -> None:
    params = CameraParams(**BASE)
    layout = layout_of(params)
    with pytest.raises(ValueError, match="spots_px must be"):
        image(params, np.zeros((3, 2)))
    with pytest.raises(ValueError, match="photons_px must be at least 0, got -1"):
        flat_field(params, layout, -1.0, seed=1, kernels=compiled)
    with pytest.raises(ValueError, match="image_dn must be"):
        cut_windows(np.zeros((30, 30)), np.zeros((1, 2)), (8, 8))
    whole = np.arange(1200).reshape(30, 40)
    for at, x, y in (((35.5, 25.5), 32, 22), ((3.5, 3.5), 0, 0), ((16.5, 3.5), 13, 0)):
        (cut,), origin = cut_windows(whole, np.array([at]), (8, 8))  # up to the edges and corners
        assert origin.tolist() == [[x, y]]
        np.testing.assert_array_equal(cut, whole[y : y + 8, x : x + 8])
    with pytest.raises(ValueError, match="that of spot 0 starts at"):
        cut_windows(whole, np.array([[2.4, 5.0]]), (8, 8))
    with pytest.raises(ValueError, match="that of spot 1 starts at"):
        cut_windows(whole, np.array([[35.5, 25.5], [36.6, 20.0]]), (8, 8))


def test_unequal_arrays_have_fields_of_their_own_on_either_sensor():
    params = CameraParams(**BASE)
    layout = make_layout(params, 12, 4, 15, 5)
    mirrors = np.arange(27)
    sensor, corner = layout.sensor(mirrors), layout.corner(mirrors)
    assert sensor.tolist() == [0] * 12 + [1] * 15
    for side, columns in ((0, 4), (1, 5)):
        own = corner[sensor == side]
        assert len(np.unique(own, axis=0)) == len(own)
        np.testing.assert_array_equal(own[columns] - own[0], [0, layout.pitch_px])
    height, width = layout.shape
    assert (corner + layout.pitch_px + layout.rim_px <= [width, height]).all()
    neighbours = layout.neighbours(mirrors)
    # A corner has three neighbours, a mirror inside eight, all on its own sensor.
    assert (neighbours[12] >= 0).sum() == (neighbours[26] >= 0).sum() == 3
    assert (neighbours[12 + 6] >= 0).sum() == 8
    for m, row in enumerate(neighbours):
        assert (sensor[row[row >= 0]] == sensor[m]).all()
