"""Words of a calibration in C: what does not fit its type, or would leave 64 bits, is refused."""

import numpy as np
import pytest

from sim.camera.lens import Lens
from sim.camera.spot_guard import SpotGuard
from sim.firmware.calibrated.guard import guard_words
from sim.firmware.calibrated.lens import lens_words
from sim.firmware.calibrated.pixels import PixelWords
from sim.firmware.calibrated.source import Calibrated, calibrated_source
from sim.firmware.native import int32_words
from sim.foundations.errors import PlugInError

HOME = np.array([[100, 50], [700, 50]])
SENSOR = np.zeros(2, np.int64)
BESIDE = np.full((2, 8), -1)
BESIDE[0, 0], BESIDE[1, 0] = 1, 0


def lens(fraction, scale=500.0):
    known = Lens(np.full(2, 500.0), np.zeros(2), np.zeros(2), np.array([[600.0, -600.0], [0, 0]]))
    return lens_words(known, SENSOR, 725.0, scale_px_per_rad=scale, fraction=fraction)


def guard(fraction):
    return guard_words(
        SpotGuard(None, None), BESIDE, HOME, (24, 24), fraction=fraction, light_fraction=2
    )


def test_squares_are_those_of_exact_integers():
    # By hand: corners of the square of all positions, the home 600 px and the neighbour 600 px off.
    end, home = 1 << 15, 600 << 8
    assert lens(8).largest_square(end) == 2 * (end + home) ** 2
    assert guard(8).largest_square(end) == 2 * (2 * end + home) ** 2
    calibrated_source(Calibrated(HOME, SENSOR, lens=lens(8), guard=guard(8)), end)


@pytest.mark.parametrize("part", ["lens", "guard"])
def test_a_square_that_leaves_the_words_of_the_c_is_refused(part):
    made = lens(8) if part == "lens" else guard(8)
    found = Calibrated(HOME, SENSOR)._replace(**{part: made})
    home = 600 << 8
    # The largest end whose square is below 2^61, from its root; one more is refused.
    root = int(np.sqrt(2.0**60))
    last = root - home - 1 if part == "lens" else (root - home) // 2 - 1
    assert 2**60 < made.largest_square(last) < 2**61
    calibrated_source(found, last)
    with pytest.raises(ValueError, match="position_fraction: the squared .* takes 63 bits"):
        calibrated_source(found, last + 2)


def test_a_turned_place_that_leaves_the_words_of_the_c_is_refused():
    made = lens(12)
    wide = made._replace(turn=made.turn << 12)
    assert made.largest_sum < 2**61 <= wide.largest_sum
    with pytest.raises(ValueError, match="the turned place of a spot takes"):
        calibrated_source(Calibrated(HOME, SENSOR, lens=wide), 1 << 15)


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"home_px": HOME + 40_000}, r"home_px: .*int16_t.* 32767 \(got 40700\)"),
        ({"sensor": SENSOR + 256}, r"home_sensor: .*uint8_t.* 255 \(got 256\)"),
    ],
)
def test_a_word_beyond_its_type_is_refused(changed, said):
    found = Calibrated(HOME, SENSOR)._replace(**changed)
    with pytest.raises(ValueError, match=said):
        calibrated_source(found)


def test_a_neighbour_beyond_16_bits_is_refused():
    beside = np.full((40_001, 8), -1)
    beside[0, 0] = 40_000
    many = guard(8)._replace(neighbours=beside, home=np.zeros((40_001, 2), np.int64))
    with pytest.raises(ValueError, match=r"guard_beside: .*got 40000"):
        calibrated_source(Calibrated(HOME, SENSOR, guard=many))


def test_a_bad_pixel_beyond_16_bits_is_refused():
    flags = np.zeros((1, 1, 70_000), bool)
    flags[0, 0, 69_999] = True
    words = PixelWords(flags, None, None, 0, 0, 0, 1023)
    with pytest.raises(ValueError, match=r"bad_pixels: .*got 69999"):
        calibrated_source(Calibrated(HOME, SENSOR, pixels=words))


def test_a_word_for_the_c_does_not_wrap():
    assert int32_words(np.array([-(2**31), 2**31 - 1])).tolist() == [-(2**31), 2**31 - 1]
    with pytest.raises(PlugInError, match="got 2147483648"):
        int32_words(np.array([0, 2**31]))
