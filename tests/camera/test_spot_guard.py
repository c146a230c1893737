"""Whose light a window holds: by hand, for two mirrors side by side."""

import numpy as np
import pytest

from sim.camera.spot_guard import Confusion, SpotGuard, Windows, confusion_counts, doubted
from sim.foundations.ports import SpotStatus

HOME = np.array([[100.0, 50.0], [140.0, 50.0]])
BESIDE = np.array([[1, *[-1] * 7], [0, *[-1] * 7]])
OK = np.zeros(2, np.uint8)


def windows(origin):
    first = np.asarray(origin, float)
    return Windows(np.stack([first, first + 23.0]), BESIDE, HOME)


def test_a_reading_nearer_to_the_neighbours_expected_place_is_doubted() -> None:
    """Own spot expected at x = 115, the neighbour's at 125: the middle between them is 120."""
    expected = np.array([[15.0, 0.0], [-15.0, 0.0]])
    guard = SpotGuard(None, None)
    at = windows([[3.0, -12.0], [-27.0, -12.0]])
    for x, wrong in ((15.0, False), (19.9, False), (20.1, True), (25.0, True)):
        spots = np.array([[x, 0.0], [-15.0, 0.0]])
        assert doubted(guard, spots, np.ones(2), expected, at).tolist() == [wrong, False]


def test_margin_and_light_are_doubted_only_where_asked() -> None:
    expected = np.array([[0.0, 0.0], [-30.0, 0.0]])  # the neighbour at x = 10 of the first
    spots = np.array([[0.2, 0.0], [-30.0, 0.0]])
    at = windows([[-16.0, -12.0], [-42.0, -12.0]])  # the first window ends at x = 7
    flux = np.array([1.2, 1.0])
    assert not doubted(SpotGuard(None, None), spots, flux, expected, at).any()
    assert doubted(SpotGuard(2.9, None), spots, flux, expected, at).tolist() == [False, True]
    assert doubted(SpotGuard(3.1, None), spots, flux, expected, at).tolist() == [True, True]
    much = SpotGuard(None, np.array([1.1, 1.1]))
    assert doubted(much, spots, flux, expected, at).tolist() == [True, False]


def test_a_lost_reading_is_not_doubted() -> None:
    spots = np.array([[np.nan, np.nan], [0.0, 0.0]])
    at = windows([[-12.0, -12.0]] * 2)
    assert not doubted(SpotGuard(None, None), spots, np.ones(2), np.zeros((2, 2)), at).any()


@pytest.mark.parametrize(
    ("spot", "status", "row"),
    [(9.0, SpotStatus.OK, Confusion.PASSED), (9.0, SpotStatus.WRONG_SPOT, Confusion.CAUGHT),
     (0.1, SpotStatus.WRONG_SPOT, Confusion.FALSE_ALARM), (0.1, SpotStatus.OK, None)],
)  # fmt: skip
def test_what_readings_count_as(spot, status, row) -> None:
    """The neighbour's spot is truly at x = 10 of the first mirror's window; its own is at 0."""
    place = np.array([[0.0, 0.0], [-30.0, 0.0]])
    spots = np.array([[spot, 0.0], [-30.0, 0.0]])
    at = windows([[-12.0, -12.0], [-35.0, -12.0]])
    found = confusion_counts(spots, np.array([status, SpotStatus.OK], np.uint8), place, at)
    wanted = np.zeros((4, 2), bool)
    wanted[Confusion.SHARED, 0] = True
    if row is not None:
        wanted[row, 0] = True
    np.testing.assert_array_equal(found, wanted)
