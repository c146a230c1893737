"""Windows corrected by maps of the pixels."""

import numpy as np

from sim.camera.pixel_correction import PixelCorrection, PixelMaps


def correction(bad=(), dark=None, response=None, windows=1):
    shape = (1, 12, 14)
    flags = np.zeros(shape, bool)
    for y, x in bad:
        flags[0, y, x] = True
    maps = PixelMaps(flags, dark, response)
    return PixelCorrection(maps, np.zeros(windows, np.int64), 32.0, 1023)


def test_dark_level_and_response_by_hand() -> None:
    """dn = 32 + 10 + 1.25 * 40 = 92 becomes 32 + 40 = 72, wherever the window lies."""
    dark = np.zeros((1, 12, 14), np.float32)
    response = np.ones((1, 12, 14), np.float32)
    dark[0, 5, 7], response[0, 5, 7] = 10.0, 1.25
    frames = np.full((1, 4, 5), 72, np.int32)
    frames[0, 2, 3] = 92
    found = correction(dark=dark, response=response).corrected(frames, np.array([[4.0, 3.0]]))
    np.testing.assert_array_equal(found, 72)
    assert frames[0, 2, 3] == 92


def test_rounding_is_to_the_nearest_and_clipped_to_the_converter() -> None:
    response = np.full((1, 12, 14), 0.5, np.float32)
    frames = np.array([[[600, 33, 0]]], np.int32)
    found = correction(dark=np.zeros((1, 12, 14), np.float32), response=response).corrected(
        frames, np.array([[0.0, 0.0]])
    )
    np.testing.assert_array_equal(found, [[[1023, 34, 0]]])  # 32 + 2 * 568, 34, 32 - 64


def test_a_bad_pixel_is_the_mean_of_its_good_neighbours_in_the_window() -> None:
    """In the middle eight neighbours, one of them bad: (1 + ... + 8 - 4) / 7; in a corner three."""
    frames = np.arange(1, 13, dtype=np.int32).reshape(1, 3, 4)
    frames[0, 1, 1] = frames[0, 0, 0] = 999
    found = correction(bad=[(1, 1), (0, 0)]).corrected(frames, np.array([[0.0, 0.0]]))
    kept = [2, 3, 5, 7, 9, 10, 11]
    assert found[0, 1, 1] == int(np.floor(np.mean(kept) + 0.5))
    assert found[0, 0, 0] == int(np.floor((2 + 5) / 2 + 0.5))
    np.testing.assert_array_equal(found[0, 2], frames[0, 2])


def test_one_good_neighbour_alone_takes_the_place_and_none_changes_nothing() -> None:
    """In a window of two pixels, one of them bad, and in one of two bad pixels."""
    frames = np.array([[[999, 41]]], np.int32)
    found = correction(bad=[(0, 0)]).corrected(frames, np.array([[0.0, 0.0]]))
    np.testing.assert_array_equal(found, [[[41, 41]]])
    found = correction(bad=[(0, 0), (0, 1)]).corrected(frames, np.array([[0.0, 0.0]]))
    np.testing.assert_array_equal(found, frames)


def test_a_window_that_moves_meets_other_pixels() -> None:
    frames = np.zeros((1, 3, 3), np.int32)
    frames[0, 1, 1] = 800
    one = correction(bad=[(5, 6)])
    assert one.corrected(frames, np.array([[5.0, 4.0]]))[0, 1, 1] == 0
    assert one.corrected(frames, np.array([[6.0, 4.0]]))[0, 1, 1] == 800
    assert one.corrected(frames, np.array([[5.0, 4.0]]))[0, 1, 1] == 0
