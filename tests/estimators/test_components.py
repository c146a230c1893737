"""The blob chooser: OpenCV's moments as a second route, and each rule on its own."""

import cv2
import numpy as np
import pytest

from sim.estimators.components import components
from sim.foundations.ports import SpotStatus


@pytest.fixture
def own(settings):
    """Return this estimator's settings for the demo spot."""
    return settings["components"]


def test_position_is_that_of_opencvs_moments(make_frames, camera, own):
    # Second route: cv2.moments of the clipped picture, one frame at a time, where there is one
    # region and nothing hot. It works in float64: equal to rounding.
    rng = np.random.default_rng(16)
    spots = 11.5 + rng.uniform(-2, 2, (20, 2))
    frames = make_frames(spots, camera, 20000, rng=rng)
    reading = components(frames, camera=camera, **own)
    for frame, got, flux in zip(frames, reading.spot_px, reading.flux_dn, strict=True):
        limit = max(57, int(np.ceil(42 + 0.15 * (frame.max() - 42))))
        lit = np.maximum(frame - limit, 0).astype(np.uint16)
        m = cv2.moments(lit)
        assert flux == m["m00"]
        np.testing.assert_allclose(got, [m["m10"] / m["m00"], m["m01"] / m["m00"]], rtol=1e-13)


def test_frames_do_not_touch_each_other(camera, own):
    # Light along the facing rims of two frames in the stack stays with its own frame.
    frames = np.full((2, 24, 24), 42, dtype=np.int32)
    frames[0, 20:, 10:13] = 500
    frames[1, :4, 10:13] = 500
    both = components(frames, camera=camera, **own)
    alone = [components(frames[k : k + 1], camera=camera, **own) for k in (0, 1)]
    assert both.flux_dn.tolist() == [alone[0].flux_dn[0], alone[1].flux_dn[0]]
    assert both.status.tolist() == [SpotStatus.EDGE] * 2


def test_a_hot_pixel_within_the_spot_is_levelled(make_frames, camera, own):
    # What is left is the difference between the pixel and the median around it: against the
    # spot's slope that is 0.01 px or less for the demo spot.
    clean = make_frames([[11.3, 12.2]], camera, 20000)
    hot = clean.copy()
    hot[0, 14, 9] += 600
    at = components(clean, camera=camera, **own).spot_px
    assert np.abs(components(hot, camera=camera, **own).spot_px - at).max() < 0.02
    blind = own | {"hot_step_dn": 1e6}
    assert np.abs(components(hot, camera=camera, **blind).spot_px - at).max() > 0.05


@pytest.mark.parametrize("corner", [(0, 0), (0, 7), (23, 23)])
def test_a_hot_pixel_at_the_edge_is_levelled_too(make_frames, camera, own, corner):
    clean = make_frames([[11.3, 12.2]], camera, 20000)
    hot = clean.copy()
    hot[0, *corner] = 1023
    np.testing.assert_array_equal(
        components(hot, camera=camera, **own).spot_px,
        components(clean, camera=camera, **own).spot_px,
    )


def test_a_pixel_is_hot_only_beyond_its_step(camera, own):
    # A lone pixel 150 DN above those around it stands, at 151 DN it is levelled. The limit is 15 %
    # of the largest value above 42 DN: 46.2 and 23.7 DN, rounded up.
    frames = np.full((2, 24, 24), 200, dtype=np.int32)
    frames[:, 12, 9] += [150, 151]
    flux = components(frames, camera=camera, **own).flux_dn
    assert flux.tolist() == [576 * (200 - 89) + 150, 576 * (200 - 66)]


def test_small_regions_are_no_spots(camera, own):
    # Five pixels side by side are not levelled as hot; the rule of area drops them.
    frames = np.full((1, 24, 24), 42, dtype=np.int32)
    frames[0, 10:15, 6] = 900
    assert components(frames, camera=camera, **own).status[0] == SpotStatus.DIM
    seen = components(frames, camera=camera, **(own | {"min_area_px": 5}))
    np.testing.assert_allclose(seen.spot_px, [[6, 12]])


def test_spill_ranks_behind_a_fainter_spot(make_frames, camera, own):
    # A neighbour with four times the light, half of it in the window: the spot is still the one.
    spot = make_frames([[10.0, 11.0]], camera, 10000)
    spill = make_frames([[23.5, 11.0]], camera, 20000)
    reading = components(spot + spill - 42, camera=camera, **own)
    assert reading.status[0] == SpotStatus.OK
    assert np.hypot(*(reading.spot_px[0] - [10.0, 11.0])) < 0.02


def test_spill_alone_is_edge(make_frames, camera, own):
    frames = make_frames([[24.2, 11.0]], camera, 20000)
    assert components(frames, camera=camera, **own).status[0] == SpotStatus.EDGE


def test_pixels_that_meet_at_corners_are_one_region(camera, own):
    # Six pixels on a diagonal: one region of six, or six of one that the rule of area drops.
    frames = np.full((1, 24, 24), 42, dtype=np.int32)
    frames[0, np.arange(8, 14), np.arange(6, 12)] = 900
    reading = components(frames, camera=camera, **own)
    np.testing.assert_allclose(reading.spot_px, [[8.5, 10.5]])
