"""Windows at the roundings inside an estimator: on a tie, and nearest to it on either side.

Found by search: windows of the scenario, each pixel moved at random, then the nearest ones moved on
by a little. What is not found is counted, not proven absent.
"""

from collections.abc import Callable
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.firmware.rounding import Whole
from sim.firmware.spots.gaussian_fit import GaussianFitWords, go_through_entries
from sim.firmware.spots.noting import NotedRounding, noting, ties_otherwise
from sim.foundations.ports import Array, SpotStatus
from sim.foundations.rng import philox

BATCH: Final = 256
BATCHES: Final = 12
"""Of windows of the scenario with every pixel moved."""
ROUNDS: Final = 12
"""In which the nearest windows are moved on."""
AMPLITUDES_DN: Final = (1, 4, 16, 128)
TIED: Final = 64
"""Windows on a tie of which it is tried whether it shows, in each batch."""
FEW_PIXELS: Final = 8
"""Moved in a round, of those of a window."""
KEY: Final = (2026, 1131)
NOTHING: Final = -0.5
"""Distance from a tie of what leaves no rest."""

Read = Callable[[NDArray[np.int32]], Any]
"""Windows (M, H, W) [DN] -> a record with their `status`."""


class InnerCorner(NamedTuple):
    """One side of the ties of one place that rounds."""

    place: str
    side: int
    """-1 below a tie, 0 on it, 1 above."""
    window: NDArray[np.int32] | None
    """The window that comes nearest; None: no tie was met, or nothing is rounded on that side."""
    share: float
    """How far from a tie, in units of what is kept; 0 on it, infinite without a window."""
    nearest: float
    """The least there is, where all places were gone through; infinite: none exists."""
    telling: bool
    """Whether the reading of the window changes if its tie goes the other way."""
    tries: int
    """Windows that were read."""
    places: int | None
    """Places of the spot, all of them, where what is rounded depends on these alone; None: it
    depends on the light."""


class _Nearest:
    """The nearest window of each place and side so far."""

    def __init__(self) -> None:
        self.windows: dict[tuple[str, int], NDArray[np.int32]] = {}
        self.shares: dict[tuple[str, int], float] = {}
        self.places: list[str] = []
        self.telling: set[str] = set()
        """Places with a tie that shows in the reading."""

    def look(self, read: Read, pixels: NDArray[np.int32]) -> None:
        """Read windows, and keep those that come nearer than any before."""
        with noting() as notes:
            found = read(pixels)
        ok = found.status == SpotStatus.OK
        for place, share in shares_of(notes).items():
            if place not in self.places:
                self.places.append(place)
            for side, off in sides_of_shares(share, ok).items():
                window, nearest = int(np.argmin(off)), float(off.min())
                key = (place, side)
                if np.isfinite(nearest) and nearest < self.shares.get(key, np.inf):
                    self.shares[key], self.windows[key] = nearest, pixels[window].copy()
            if place not in self.telling:
                self._look_for_telling(read, place, pixels, found.position, share, ok)

    def _look_for_telling(
        self, read: Read, place: str, pixels: NDArray[np.int32], position: Whole, share: Array,
        ok: NDArray[np.bool_],
    ) -> None:  # fmt: skip
        """Take a window on a tie that reads otherwise if the tie goes the other way."""
        tied = np.flatnonzero(ok & (share == 0).any(axis=1))[:TIED]
        if not tied.size:
            return
        with ties_otherwise(place):
            other = read(pixels[tied]).position
        shows = np.flatnonzero((other != position[tied]).any(axis=1))
        if shows.size:
            self.telling.add(place)
            self.windows[place, 0] = pixels[tied[shows[0]]].copy()


def shares_of(notes: list[NotedRounding]) -> dict[str, Array]:
    """Return how far every rounding (M, K) of each place is above a tie. [unit of what is kept]

    Exactly 0 on a tie, and there alone.
    """
    found: dict[str, list[Array]] = {}
    for note in notes:
        share = note.from_tie / np.broadcast_to(note.unit, note.from_tie.shape)
        # A quotient by one, or a shift by nothing, leaves no rest to be rounded.
        found.setdefault(note.place, []).append(np.where(note.unit > 2, share, NOTHING))
    return {place: np.concatenate(parts, axis=1) for place, parts in found.items()}


def sides_of_shares(share: Array, ok: NDArray[np.bool_]) -> dict[int, Array]:
    """Return how near each window (M,) that is OK comes to a tie from each side; infinite: not."""
    sides = {
        -1: np.where((share < 0) & (share > NOTHING), -share, np.inf),
        0: np.where(share == 0, 0.0, np.inf),
        1: np.where(share > 0, share, np.inf),
    }
    return {side: np.where(ok, off.min(axis=1), np.inf) for side, off in sides.items()}


def inner_corners(
    read: Read, words: Any, windows: NDArray[np.int32], full_scale_dn: int
) -> list[InnerCorner]:
    """Search for windows at the corners of every rounding inside an estimator.

    Parameters
    ----------
    read : callable
        The estimator.
    words : record of an estimator
        Its constants.
    windows : (N, H, W) ndarray of int
        What the search starts from. [DN]
    full_scale_dn : int
        No pixel is more. [DN]

    Returns
    -------
    list of InnerCorner
        Three for each place; empty if nothing inside is noted.
    """
    nearest, tries = _Nearest(), 0
    shape = windows.shape[1:]
    for batch in range(BATCHES):
        start = windows[(np.arange(BATCH) * 7 + batch) % len(windows)]
        amplitude = AMPLITUDES_DN[batch % len(AMPLITUDES_DN)]
        pixels = start + _drawn((BATCH, *shape), batch, amplitude)
        nearest.look(read, np.clip(pixels, 0, full_scale_dn).astype(np.int32))
        tries += BATCH
    for round_ in range(ROUNDS):
        open_ = [
            key for key, share in nearest.shares.items()
            if share > 0 or (key[1] == 0 and key[0] not in nearest.telling)
        ]  # fmt: skip
        if not open_:
            break
        start = np.stack([nearest.windows[open_[i % len(open_)]] for i in range(BATCH)])
        moves = _drawn((BATCH, *shape), BATCHES + round_, AMPLITUDES_DN[0])
        few = _drawn((BATCH, *shape), 2 * BATCHES + ROUNDS + round_, start[0].size) < (
            2 * FEW_PIXELS - start[0].size
        )  # fmt: skip
        pixels = np.clip(start + np.where(few, moves, 0), 0, full_scale_dn)
        nearest.look(read, pixels.astype(np.int32))
        tries += BATCH
    places, exist = _of_entries(words)
    found = []
    for key in [(place, side) for place in nearest.places for side in (-1, 0, 1)]:
        share = nearest.shares.get(key, np.inf)
        found.append(
            InnerCorner(
                *key, nearest.windows.get(key), share, exist.get(key, 0.0),
                key[1] == 0 and key[0] in nearest.telling, tries,
                places if key in exist else None,
            )
        )  # fmt: skip
    return found


def _of_entries(words: Any) -> tuple[int, dict[tuple[str, int], float]]:
    """Return the places of a spot, and how near each rounding of entries alone comes to a tie."""
    if not isinstance(words, GaussianFitWords):
        return 0, {}
    with noting() as notes:
        places = go_through_entries(words)
    found: dict[tuple[str, int], float] = {}
    for note in notes:
        share = shares_of([note])[note.place].reshape(1, -1)
        for side, off in sides_of_shares(share, np.ones(1, bool)).items():
            key = (note.place, side)
            found[key] = min(found.get(key, np.inf), float(off[0]))
    return places, found


def _drawn(shape: tuple[int, ...], number: int, most: int) -> NDArray[np.int64]:
    """Return whole numbers from -most to most, the same ones each time."""
    count = int(np.prod(shape))
    counter = np.zeros((-(-count // 4), 4), np.int64)
    counter[:, 0], counter[:, 1] = np.arange(len(counter)), number
    words = philox(counter, KEY).ravel()[:count].astype(np.int64)
    return (words % (2 * most + 1) - most).reshape(shape)
