"""The guard in whole numbers: by hand at its limits, and as in double precision elsewhere."""

import numpy as np

from sim.camera.spot_guard import SpotGuard, Windows, doubted
from sim.firmware.calibrated.guard import FixedGuard, guard_words

SIDE = 24
HOME = np.array([[100.0, 50.0], [140.0, 50.0], [100.0, 90.0]])
BESIDE = np.array([[1, 2, *[-1] * 6], [0, 2, *[-1] * 6], [0, 1, *[-1] * 6]])


def guard(margin=None, flux=None):
    rules = SpotGuard(margin, None if flux is None else np.full(3, flux))
    words = guard_words(rules, BESIDE, HOME, (SIDE, SIDE), fraction=8, light_fraction=2)
    return rules, FixedGuard(words)


def at(origin):
    first = np.asarray(origin, float)
    return Windows(np.stack([first, first + SIDE - 1]), BESIDE, HOME)


def test_by_hand_at_the_limits_of_each_rule():
    # Mirror 0 expects its spot at x = 15, mirror 1 its own at 140 - 100 - 15 = 25 as 0 counts: the
    # middle is 20, one unit is 1/256 px; the window of 0 ends at x = 26.
    expected = np.array([[15.0, 0.0], [-15.0, 0.0], [0.0, 0.0]])
    windows = at([[3, -12], [-27, -12], [-12, -12]])
    far = [[-15.0, 0.0], [0.0, 0.0]]
    for x, wrong in ((20.0, False), (20.0 + 1 / 256, True)):
        found = guard()[1].doubts(np.array([[x, 0.0], *far]), np.ones(3), expected, windows)
        assert found.tolist() == [wrong, False, False]
    spots = np.array([[15.0, 0.0], *far])
    moved = expected + [[0, 0], [2.0, 0], [0, 0]]  # that of 1 at x = 27 as 0 counts
    for margin, wrong in ((1.0, True), (1.0 - 1 / 256, False)):
        assert guard(margin)[1].doubts(spots, np.ones(3), moved, windows)[0] == wrong
    for light, wrong in ((10.25, False), (10.5, True)):
        found = guard(flux=10.25)[1].doubts(spots, np.full(3, light), expected, windows)
        assert found.tolist() == [wrong] * 3


def test_elsewhere_it_is_that_of_double_precision():
    # Places on words, drawn with a fixed seed; a tie of distances decides as it does there.
    rng = np.random.default_rng(4)
    hits = 0
    for _ in range(300):
        expected = np.rint(rng.uniform(-25, 25, (3, 2)) * 256) / 256
        origin = np.floor(expected - 0.5 * (SIDE - 1) + 0.5)
        spots = np.rint((expected + rng.uniform(-12, 12, (3, 2))) * 256) / 256
        flux = rng.integers(0, 80, 3) / 4.0
        plain, fixed = guard(2.0, 15.0)
        windows = at(origin)
        wanted = doubted(plain, spots, flux, expected, windows)
        np.testing.assert_array_equal(fixed.doubts(spots, flux, expected, windows), wanted)
        hits += wanted.sum()
    assert 200 < hits < 800
