"""Whose light a window holds, told in whole numbers."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.camera.spot_guard import SpotGuard, Windows
from sim.firmware.rounding import Whole
from sim.foundations.ports import Array


class GuardWords(NamedTuple):
    """All constants of the guard; whole numbers alone."""

    fraction: int
    """Bits behind the point of places [px]."""
    light_fraction: int
    """Bits behind the point of the light [DN]."""
    margin: int | None
    """A neighbour's spot so near to a window makes it doubted; None: not. [px] times 2^fraction"""
    most_light: Whole | None
    """(M,) more light than this is doubted; None: not. [unit of the light]"""
    neighbours: NDArray[np.int64]
    """(M, 8) columns of each mirror's neighbours; -1: none."""
    home: Whole
    """(M, 2) spot of each untilted mirror on its sensor. [px]"""
    window_px: tuple[int, int]
    """(H, W)"""

    def largest_square(self, position_end: int) -> int:
        """Return the largest square of a distance, with positions up to an end either way."""
        between = self.home[self.neighbours] - self.home[:, None]
        there = (self.neighbours >= 0)[:, :, None]
        apart = int(np.abs(between).max(where=there, initial=0)) << self.fraction
        return 2 * (2 * position_end + apart) ** 2


def guard_words(
    guard: SpotGuard, neighbours: NDArray[np.int64], home_px: Array, window_px: tuple[int, int],
    *, fraction: int, light_fraction: int,
) -> GuardWords:  # fmt: skip
    """Put the rules of a guard into words.

    Parameters
    ----------
    guard : SpotGuard
        Its rules.
    neighbours, home_px
        As in `Windows`; homes are whole pixels.
    window_px : (int, int)
        (H, W). [px]
    fraction, light_fraction : int
        Bits behind the point of positions, and of the light.
    """
    margin = None if guard.margin_px is None else int(np.rint(np.ldexp(guard.margin_px, fraction)))
    most = None
    if guard.most_flux_dn is not None:
        most = np.floor(np.ldexp(guard.most_flux_dn, light_fraction)).astype(np.int64)
    home = np.asarray(home_px).astype(np.int64)
    return GuardWords(fraction, light_fraction, margin, most, neighbours, home, window_px)


def doubted_words(
    words: GuardWords, mirror: NDArray[np.int64], origin: Whole, position: Whole, light: Whole,
    expected: Whole, theirs: Whole,
) -> NDArray[np.bool_]:  # fmt: skip
    """Return which readings (K,) are taken for those of another mirror.

    Parameters
    ----------
    words : GuardWords
        Constants.
    mirror : (K,) ndarray of int
        Column of each reading's mirror.
    origin : (K, 2) ndarray of int
        First pixel of its window, against the spot of its untilted mirror. [px]
    position : (K, 2) ndarray of int
        Where the spot is, counted likewise. [px] times 2^fraction
    light : (K,) ndarray of int
        Of the reading.
    expected : (K, 2) ndarray of int
        Where the spot is expected, counted likewise. [px] times 2^fraction
    theirs : (K, 8, 2) ndarray of int
        Where each neighbour's is expected, counted from that one's own untilted mirror.

    Notes
    -----
    With n a neighbour of m, and its place t = theirs + ((home_n - home_m) << fraction), doubted are

    1. readings with abs(t - position)^2 < abs(expected - position)^2;
    2. with a `margin`, those of windows with first - margin <= t <= last + margin along x and y;
    3. with `most_light`, those of more light.
    """
    beside = words.neighbours[mirror]
    there = beside >= 0
    between = words.home[beside] - words.home[mirror][:, None]
    t = theirs + (between << np.int64(words.fraction))
    away = ((t - position[:, None]) ** 2).sum(axis=2)
    own = ((expected - position) ** 2).sum(axis=1)
    found = (there & (away < own[:, None])).any(axis=1)
    if words.margin is not None:
        height, width = words.window_px
        first = (origin << np.int64(words.fraction))[:, None]
        last = ((origin + np.array([width - 1, height - 1])) << np.int64(words.fraction))[:, None]
        inside = ((t >= first - words.margin) & (t <= last + words.margin)).all(axis=2)
        found |= (there & inside).any(axis=1)
    if words.most_light is not None:
        found |= light > words.most_light[mirror]
    return np.asarray(found)


class FixedGuard:
    """Doubts readings in whole numbers, as the loop calls it."""

    def __init__(self, words: GuardWords) -> None:
        """Take the words of its rules."""
        self.words = words

    def doubts(
        self, spot_px: Array, flux_dn: Array, expected_px: Array, windows: Windows
    ) -> NDArray[np.bool_]:
        """Return which readings (M,) are doubted; parameters as `SpotGuard.doubts`."""
        w = self.words
        position, expected = (self.places(px) for px in (spot_px, expected_px))
        light = np.rint(np.ldexp(flux_dn, w.light_fraction)).astype(np.int64)
        origin = windows.corners_px[0].astype(np.int64)
        return self.doubted(origin, position, light, expected)

    def doubted(
        self, origin: Whole, position: Whole, light: Whole, expected: Whole
    ) -> NDArray[np.bool_]:
        """Return which readings (M,) of all mirrors are doubted, from words."""
        every = np.arange(len(position))
        theirs = expected[self.words.neighbours]
        return doubted_words(self.words, every, origin, position, light, expected, theirs)

    def places(self, px: Array) -> Whole:
        """Return places as the nearest words; 0 where there is none."""
        known = np.where(np.isfinite(px), px, 0.0)
        return np.rint(np.ldexp(known, self.words.fraction)).astype(np.int64)
