"""Pixel maps in whole numbers: exact rational arithmetic, and neighbours counted one by one."""

from fractions import Fraction
from math import floor

import numpy as np
import pytest

from sim.camera.pixel_correction import PixelCorrection, PixelMaps
from sim.firmware.calibrated.pixels import FixedPixelCorrection, corrected_pixels, pixel_words

SHAPE = (1, 30, 40)
FULL, BLACK = 1023, 32.3


def maps(bad=()):
    rng = np.random.default_rng(7)
    flags = np.zeros(SHAPE, bool)
    for y, x in bad:
        flags[0, y, x] = True
    dark = rng.normal(0, 3, SHAPE).astype(np.float32)
    response = rng.normal(1, 0.03, SHAPE).astype(np.float32)
    return PixelMaps(flags, dark, response)


def test_a_pixel_is_the_exact_correction_within_the_stated_error():
    # Exact: (dn - black - dark) / response + black with the floats of the maps as fractions; the
    # words differ from it by `error_dn` at most, before the rounding to a whole number.
    known = maps()
    words = pixel_words(known, BLACK, FULL)
    assert words.level_fraction == 4 and words.gain_fraction == 15
    assert words.error_dn < 0.06
    dn = np.random.default_rng(3).integers(0, FULL + 1, SHAPE)
    found = corrected_pixels(dn, words.level.astype(int), words.gain.astype(int), words)
    apart = []
    for at in np.ndindex(SHAPE):
        dark, response = Fraction(float(known.dark_dn[at])), Fraction(float(known.response[at]))
        exact = (int(dn[at]) - Fraction(BLACK) - dark) / response + Fraction(BLACK)
        exact = min(max(exact, Fraction(0)), Fraction(FULL))
        apart.append(abs(float(exact - int(found[at]))))
        # The words themselves, by the formula of the docstring.
        total = ((int(dn[at]) << 4) - int(words.level[at])) * int(words.gain[at]) + words.black
        assert found[at] == min(max(floor(Fraction(total, 1 << 19) + Fraction(1, 2)), 0), FULL)
    assert 0.4 < max(apart) <= 0.5 + words.error_dn
    # That of floating point differs where rounding is a close thing alone.
    plain = PixelCorrection(known, np.zeros(1, int), BLACK, FULL)
    other = plain.corrected(dn.astype(np.int32), np.zeros((1, 2)))
    assert np.abs(other - found).max() <= 1
    assert (other != found).mean() < 2 * words.error_dn


def test_no_sum_leaves_the_bits_that_are_stated():
    words = pixel_words(maps(), BLACK, FULL)
    most = int(words.gain.max())
    ends = [((dn << 4) - level) * most + words.black + (1 << 18)
            for dn in (0, FULL) for level in (0, int(words.level.max()))]  # fmt: skip
    assert words.product_bits <= 32
    assert all(-(1 << (words.product_bits - 1)) <= end < 1 << (words.product_bits - 1)
               for end in ends)  # fmt: skip


@pytest.mark.parametrize("corner", [(0, 0), (10, 8), (-3, -2), (31, 22)])
def test_bad_pixels_are_the_mean_of_good_neighbours_counted_one_by_one(corner):
    # Beyond the sensor's edge the pixel at the edge stands in, bad if it is.
    bad = [(0, 0), (8, 10), (8, 11), (12, 20), (13, 16), (15, 21), (29, 39), (22, 31)]
    known = PixelMaps(maps(bad).bad, None, None)
    dn = np.random.default_rng(5).integers(0, FULL + 1, (1, 8, 12)).astype(np.int32)
    words = pixel_words(known, BLACK, FULL)
    assert words.map_bytes == 0 and words.error_dn == 0.0
    one = FixedPixelCorrection(known, np.zeros(1, int), words)
    found = one.corrected(dn, np.array([corner], float))[0]

    def is_bad(j, i):
        y, x = min(max(corner[1] + j, 0), 29), min(max(corner[0] + i, 0), 39)
        return (y, x) in bad

    for j, i in np.ndindex(8, 12):
        wanted = int(dn[0, j, i])
        if is_bad(j, i):
            good = [int(dn[0, b, a]) for b in range(j - 1, j + 2) for a in range(i - 1, i + 2)
                    if 0 <= b < 8 and 0 <= a < 12 and not is_bad(b, a)]  # fmt: skip
            wanted = floor(Fraction(sum(good), len(good)) + Fraction(1, 2)) if good else wanted
        assert found[j, i] == wanted, (j, i)


def test_a_pixel_that_hardly_responds_must_be_counted_as_bad():
    known = maps()
    known.response[0, 4, 6] = 0.01
    with pytest.raises(ValueError, match=r"pixel \(6, 4\) of sensor 0 takes 100"):
        pixel_words(known, BLACK, FULL)
    pixel_words(known._replace(bad=maps([(4, 6)]).bad), BLACK, FULL)


def test_a_pixel_whose_level_is_below_zero_must_be_counted_as_bad():
    # Words of levels have no sign, 4 bits behind the point: half a unit below 0 is the nearest 0.
    known = maps()
    known.dark_dn[0, 4, 6] = -BLACK - 1 / 40
    assert pixel_words(known, BLACK, FULL).level[0, 4, 6] == 0
    known.dark_dn[0, 4, 6] = -BLACK - 0.5
    with pytest.raises(ValueError, match=r"pixel \(6, 4\) of sensor 0 is at -0\.5 DN"):
        pixel_words(known, BLACK, FULL)
    pixel_words(known._replace(bad=maps([(4, 6)]).bad), BLACK, FULL)
