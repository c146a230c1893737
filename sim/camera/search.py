"""What the firmware does about lost spots: it reads the mirror's whole field and looks there."""

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.foundations.ports import Array, SpotStatus

Look = Callable[[NDArray[np.int64]], NDArray[np.int32]]
BOX_SIGMAS = 4.0
"""Side of the box whose sum is searched for, in standard deviations of the spot."""


class SearchRule(NamedTuple):
    """When a search starts, what it costs and where it may stop following."""

    after_frames: int
    """Lost frames in a row that start a search."""
    frames: int
    """Frames without a reading that a search takes."""
    spot_sigma_px: float
    home_px: float
    """A window returns to the expected spot once the spot is this near to it, both axes. [px]"""


class SearchState(NamedTuple):
    """Where the windows are, and which mirrors are searched for."""

    offset_px: Array
    """(M, 2) from the expected spot to the middle of the window. [px]"""
    frames: NDArray[np.int32]
    """(M,) frames spent searching so far."""
    lost: NDArray[np.int64]
    """(M,) lost frames in a row."""
    left: NDArray[np.int64]
    """(M,) frames left of a search; 0 if there is none."""


def nothing_lost(n_mirrors: int) -> SearchState:
    """Return the state of mirrors whose windows are on their expected spots."""
    return SearchState(
        np.zeros((n_mirrors, 2)),
        np.zeros(n_mirrors, np.int32),
        np.zeros(n_mirrors, np.int64),
        np.zeros(n_mirrors, np.int64),
    )


def move_windows(
    rule: SearchRule,
    state: SearchState,
    spot_px: Array,
    status: NDArray[np.uint8],
    expected_px: Array,
    look: Look,
) -> tuple[SearchState, Array, NDArray[np.uint8]]:
    """Mark the mirrors that are searched for, and move their windows.

    Each mirror goes through lost, searching, found away from home, and home again. After a search
    the window is where the brightest box of the field was; it then follows the readings until
    the spot is back near where it is expected. A spot lost again is searched again. The brightest
    box is not always the mirror's own spot: a neighbour's that strays into the field, or hot pixels
    in the place of a dark spot, are taken for it.

    Parameters
    ----------
    rule : SearchRule
        When to search.
    state : SearchState
        From `nothing_lost` or the frame before; not changed.
    spot_px : (M, 2) ndarray
        As read, against the spot of an untilted mirror; NaN where lost. [px]
    status : (M,) ndarray of uint8
        SpotStatus of the reading.
    expected_px : (M, 2) ndarray
        Expected spots, against that of an untilted mirror. [px]
    look : callable
        Returns the whole fields (K, P, P) [DN] of the mirrors in these columns, as this
        frame's exposure sees them; pixel P // 2 is that of the untilted mirror.

    Returns
    -------
    state : SearchState
        For the next frame.
    spot_px : (M, 2) ndarray
        NaN where the mirror is searched for. [px]
    status : (M,) ndarray of uint8
        SEARCH there.
    """
    searching = state.left > 0
    status = np.where(searching, SpotStatus.SEARCH, status).astype(np.uint8)
    spot_px = np.where(searching[:, None], np.nan, spot_px)
    seen = status == SpotStatus.OK

    away = np.where(seen[:, None], spot_px - expected_px, 0.0)
    home = np.abs(away).max(axis=1) <= rule.home_px
    followed = seen & state.offset_px.any(axis=1)
    offset = np.where(followed[:, None], np.where(home[:, None], 0.0, away), state.offset_px)

    lost = np.where(seen | searching, 0, state.lost + 1)
    start = lost >= rule.after_frames
    left = np.where(start, rule.frames, state.left - searching)
    offset[start] = 0.0
    done = np.flatnonzero(searching & (left == 0))
    if len(done):
        found = brightest_box(look(done), rule.spot_sigma_px)
        offset[done] = found - expected_px[done]
    frames = state.frames + searching.astype(np.int32)
    return SearchState(offset, frames, lost, left), spot_px, status


def brightest_box(fields_dn: NDArray[np.int32], spot_sigma_px: float) -> Array:
    """Return the middle of the brightest box of each field, against the field's pixel P // 2.

    Parameters
    ----------
    fields_dn : (K, P, P) ndarray of int
        [DN]
    spot_sigma_px : float
        Sets the side of the box, `BOX_SIGMAS` of it, odd. [px]

    Returns
    -------
    (K, 2) ndarray
        (x, y). [px]
    """
    pitch = fields_dn.shape[1]
    half = min(int(0.5 * BOX_SIGMAS * spot_sigma_px), (pitch - 1) // 2)
    side = 2 * half + 1
    total = np.zeros((len(fields_dn), pitch + 1, pitch + 1), np.int64)
    total[:, 1:, 1:] = fields_dn.cumsum(axis=1, dtype=np.int64).cumsum(axis=2)
    box = total[:, side:, side:] - total[:, :-side, side:]
    box = box - total[:, side:, :-side] + total[:, :-side, :-side]
    y, x = np.divmod(box.reshape(len(box), -1).argmax(axis=1), box.shape[2])
    return np.stack([x, y], axis=-1) + (half - pitch // 2.0)
