"""The lens in whole numbers: against double precision and exact fractions, within its bound."""

from fractions import Fraction
from math import floor

import numpy as np
import pytest

from sim.camera.lens import Lens
from sim.firmware.calibrated.lens import FixedLens, lens_words, straightened

CORNER_PX, SCALE = 725.0, 500.0


def lens(distortion, mirrors=4000, rotation=0.05, scale=501.3):
    rng = np.random.default_rng(1)
    home = np.stack([rng.integers(-1000, 1000, mirrors), rng.integers(-700, 700, mirrors)]) / 2.0
    full = np.full(mirrors, 1.0)
    return Lens(scale * full, rotation * full, distortion / CORNER_PX**2 * full, home)


def in_words(known, fraction):
    sensor = np.zeros(len(known.rotation_rad), int)
    return lens_words(known, sensor, CORNER_PX, scale_px_per_rad=SCALE, fraction=fraction)


@pytest.mark.parametrize("distortion", [-0.3, -0.2, -0.01, 0.0, 0.01, 0.3])
@pytest.mark.parametrize("fraction", [4, 8, 12])
def test_positions_are_those_of_double_precision_within_the_stated_bound(distortion, fraction):
    known = lens(distortion)
    words = in_words(known, fraction)
    drawn = np.random.default_rng(2).uniform(-40, 40, (4000, 2))
    position = np.rint(drawn * 2.0**fraction).astype(int)
    found, there = straightened(words, position)
    exact = known.tilts_rad(position / 2.0**fraction) * SCALE
    apart = np.abs(found / 2.0**fraction - exact)[there]
    # The last rounding alone is half a unit; the bound is not far above what occurs.
    assert 0.49 * 2.0**-fraction < apart.max() <= words.error_px < 8 * apart.max()
    assert np.isfinite(exact[there]).all()
    if abs(distortion) <= 0.01:
        assert there.all() and words.error_px < 0.6 * 2.0**-fraction + 2e-4


def test_a_place_by_hand_in_fractions():
    # Each step of the docstring for one place, in exact arithmetic.
    known = lens(0.1, mirrors=1)
    words = in_words(known, 8)
    place = np.array([[1234, -777]])
    (found,), _ = straightened(words, place)
    z = [int(place[0, k] + words.home[0, k]) for k in (0, 1)]
    squared = z[0] ** 2 + z[1] ** 2
    index, rest = divmod(squared, 1 << words.shift)
    part = min(16, words.shift)
    way = rest >> (words.shift - part)
    here, after = (int(words.ratio[0, index + k]) for k in (0, 1))

    def nearest(value):
        return floor(value + Fraction(1, 2))

    ratio = here + nearest(Fraction((after - here) * way, 1 << part))
    q = [nearest(Fraction(each * ratio, 1 << 26)) for each in z]
    c, s = (int(each) for each in words.turn[0])
    total = (c * q[0] + s * q[1], c * q[1] - s * q[0])
    for k in (0, 1):
        wanted = nearest(Fraction(total[k] - (int(words.straight[0, k]) << 24), 1 << 28))
        assert found[k] == wanted


def test_a_rotation_alone_turns_the_movement_back():
    # By hand: home on the axis, no distortion, a quarter of a radian has cos 0.96891, sin 0.24740.
    known = Lens(np.array([SCALE]), np.array([0.25]), np.zeros(1), np.zeros((2, 1)))
    found, there = straightened(in_words(known, 10), np.array([[10240, 0]]))
    assert there.all()
    np.testing.assert_allclose(found / 1024, [[9.6891, -2.4740]], atol=1e-3)


def test_beyond_what_a_barrel_draws_there_is_no_tilt():
    known = lens(-0.3, mirrors=1)
    words = in_words(known, 8)
    fixed = FixedLens(known, words, SCALE)
    end = np.sqrt(float(words.limit[0])) / 256
    # The last place that is drawn: 2/3 / sqrt(-3 k) (calculus); the words end 3 % before it.
    last = 2 / 3 / np.sqrt(0.9) * CORNER_PX
    assert 0.96 * last < end <= 0.97 * last
    away = np.array([[end + 1.0, 0.0]]) - known.home_px.T
    assert np.isnan(fixed.tilts_rad(away)).all()
    assert np.isfinite(fixed.tilts_rad(away - [[2.0, 0.0]])).all()
    assert np.isnan(fixed.tilts_rad(np.full((1, 2), np.nan))).all()


def test_no_sum_before_the_last_rounding_passes_what_is_stated():
    # Exact integers of the steps at the place that is farthest out, along each axis and between.
    words = in_words(lens(0.3, rotation=0.09), 12)
    end = int(np.sqrt(float(words.limit[0])))
    c, s = (int(each) for each in words.turn[0])
    ratio, home = int(words.ratio.max()), int(np.abs(words.straight).max()) << 24
    most = 0
    for share in np.linspace(0, np.pi / 2, 50):
        x, y = int(end * np.cos(share)), int(end * np.sin(share))
        q = [(each * ratio) >> 26 for each in (x, y)]
        most = max(most, c * q[0] + s * q[1] + home, c * q[1] + s * q[0] + home)
    assert 0.9 * words.largest_sum < most <= words.largest_sum < 1 << 61
