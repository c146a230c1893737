"""The search for lost spots: where it looks, what it costs, how it comes home."""

import numpy as np
import pytest

from sim.camera.search import SearchRule, brightest_box, move_windows, nothing_lost
from sim.estimators.spot_model import pixel_integrated
from sim.foundations.ports import SpotStatus

RULE = SearchRule(after_frames=3, frames=4, spot_sigma_px=1.8, home_px=3.0)
OK, DIM, SEARCH = (int(s) for s in (SpotStatus.OK, SpotStatus.DIM, SpotStatus.SEARCH))


def fields(spots: np.ndarray, pitch: int = 64, seed: int = 0) -> np.ndarray:
    """Demo-like fields [DN]: 20000 e- at 0.5 DN/e- on a background with shot and read noise."""
    light = 20.0 + 20000.0 * pixel_integrated(spots + pitch // 2, 1.8, (pitch, pitch))
    rng = np.random.default_rng(seed)
    return np.floor(32.5 + 0.5 * (rng.poisson(light) + rng.normal(0, 6, light.shape))).astype(int)


@pytest.mark.parametrize("pitch", [64, 65])
def test_brightest_box_holds_the_spot(pitch: int) -> None:
    """To a pixel: half for the grid, and the noise moves the flat top of the sum by less."""
    spots = np.random.default_rng(1).uniform(-27, 27, (40, 2))
    assert np.abs(brightest_box(fields(spots, pitch), 1.8) - spots).max() < 1.0


def test_a_box_is_no_larger_than_the_field() -> None:
    assert brightest_box(np.zeros((2, 9, 9), int), 10.0).tolist() == [[0.0, 0.0]] * 2
    assert brightest_box(np.zeros((1, 8, 8), int), 10.0).tolist() == [[-1.0, -1.0]]


def test_a_spot_found_straight_beside_home_is_followed_there() -> None:
    state = nothing_lost(2)._replace(offset_px=np.array([[6.0, 0.0], [0.0, -6.0]]))
    ok, home = np.zeros(2, np.uint8), np.zeros((2, 2))
    away = np.array([[5.0, 0.0], [0.0, -5.0]])
    state, _, _ = move_windows(RULE, state, away, ok, home, lambda k: k)
    assert state.offset_px.tolist() == away.tolist()
    state, _, _ = move_windows(RULE, state, 0.6 * away, ok, home, lambda k: k)  # 3 px are home
    assert not state.offset_px.any()


def test_a_brighter_stranger_is_taken_for_the_spot() -> None:
    """The stated limit."""
    field = fields(np.array([[5.0, 5.0]])) + 2 * fields(np.array([[-20.0, 10.0]]))
    assert brightest_box(field, 1.8)[0] == pytest.approx([-20.0, 10.0], abs=1.0)


def test_search_starts_costs_and_ends_as_ruled() -> None:
    """Mirror 0 is seen throughout; mirror 1 is lost, searched, found, followed, and home."""
    search = nothing_lost(2)
    expected = np.array([[1.0, 1.0], [2.0, -3.0]])
    true = expected + [[0.0, 0.0], [18.0, 9.0]]
    looks: list[int] = []

    def look(which: np.ndarray) -> np.ndarray:
        looks.append(frame)
        return fields(true[which])

    statuses = []
    for frame in range(14):
        near = np.abs(true - expected - search.offset_px).max(axis=1) < 9
        status = np.where(near, OK, DIM).astype(np.uint8)
        read = np.where(near[:, None], true, np.nan)
        search, spots, status = move_windows(RULE, search, read, status, expected, look)
        statuses.append(status.tolist())
        assert np.isnan(spots[:, 0]).tolist() == (status != OK).tolist()
        if frame >= 7:
            true[1] = expected[1] + 0.6 * (true[1] - expected[1])
    assert [s[1] for s in statuses] == [DIM] * 3 + [SEARCH] * 4 + [OK] * 7
    assert [s[0] for s in statuses] == [OK] * 14
    assert looks == [6]
    assert search.frames.tolist() == [0, 4]
    assert not search.offset_px.any()


def test_a_dark_mirror_is_searched_again_and_again() -> None:
    search = nothing_lost(1)
    statuses = []
    for _ in range(14):
        search, _, status = move_windows(
            RULE, search, np.full((1, 2), np.nan), np.array([DIM], np.uint8), np.zeros((1, 2)),
            lambda k: fields(np.full((len(k), 2), 99.0)),
        )  # fmt: skip
        statuses.append(int(status[0]))
    assert statuses == ([DIM] * 3 + [SEARCH] * 4) * 2


def test_a_spot_seen_now_and_then_is_not_searched() -> None:
    search = nothing_lost(1)
    for status in (DIM, DIM, OK) * 4:
        spot = np.zeros((1, 2)) if status == OK else np.full((1, 2), np.nan)
        read = np.array([status], np.uint8)
        search, _, after = move_windows(RULE, search, spot, read, np.zeros((1, 2)), lambda k: k)
        assert after.tolist() == [status]
    assert search.frames.tolist() == [0]
