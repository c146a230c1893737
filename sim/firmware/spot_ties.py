"""Windows at the rounding corners of a centre of gravity: quotients on a tie, and beside it."""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from sim.firmware.rounding import Whole
from sim.firmware.spots.division import Divider, highest_one, moved
from sim.firmware.spots.thresholded_centroid import ThresholdedCentroidWords
from sim.firmware.spots.verdict import places
from sim.rng import philox

DRAWN: Final = 1 << 17
KEY: Final = (2026, 1128)
NEAR: Final = 2
"""Twice the remainder less the divisor: as near as whole numbers come to a tie that is missed."""


def quotients_from_tie(
    numerator: Whole, denominator: Whole, shift: int, divider: Divider
) -> Whole:
    """Return how far each quotient is from a tie; 0 on it, negative below.

    Of an exact quotient: twice its remainder less the divisor. By a reciprocal: units of the
    product that is shifted down.
    """
    if not divider.by_reciprocal:
        rest = (numerator << np.int64(shift)) % denominator
        return np.asarray(2 * rest - denominator, np.int64)
    e = highest_one(denominator)
    w, k = divider.word_bits, divider.index_bits
    r = np.array(divider.table, np.int64)[moved(denominator, k - e) - (1 << k)]
    for _ in range(divider.newton_steps):
        t = (np.int64(1) << np.int64(2 * w + 1)) - moved(denominator, w - e) * r
        r = (r * (t >> np.int64(w))) >> np.int64(w)
    right = np.maximum(w + e - shift, 1)
    rest = (numerator * r) & ((np.int64(1) << right) - 1)
    return np.asarray(rest - (np.int64(1) << (right - 1)), np.int64)


def sides(from_tie: Whole, divider: Divider) -> Whole:
    """Return -1, 0 or 1 for just below, on and just above a tie, and 9 for neither."""
    near = np.abs(from_tie) <= (1 if divider.by_reciprocal else NEAR)
    return np.where(near, np.sign(from_tie), 9)


def sums_of(
    pixels_dn: NDArray[np.int32], words: ThresholdedCentroidWords
) -> tuple[Whole, Whole]:
    """Return the light (M,) and the moments (M, 2) of windows, about their middle."""
    above = np.maximum(pixels_dn.astype(np.int64) - words.threshold_dn, 0)
    v = words.verdict
    by_x = above.sum(axis=1) @ places(v.width)
    by_y = above.sum(axis=2) @ places(v.height)
    return above.sum(axis=(1, 2)), np.stack([by_x, by_y], axis=-1)


def tie_windows(
    words: ThresholdedCentroidWords, full_scale_dn: int
) -> list[tuple[int, int, NDArray[np.int32]]]:
    """Return windows (axis, side, pixels) whose quotient is beside or on a tie.

    A row of pixels in the middle of the window, its values drawn. Of those that come to a corner,
    one of each sign, even and odd, stays: rules for ties differ in these.
    """
    v = words.verdict
    most = full_scale_dn - max(words.threshold_dn, 0)
    found = []
    for part, side_px in ((0, v.width), (1, v.height)):
        count = min(side_px - 2, max(3, int(np.ceil(2.5 * words.verdict.least_light / most))))
        first = (side_px - count) // 2
        counter = np.zeros((DRAWN * count, 4), np.int64)
        counter[:, 0], counter[:, 1] = np.arange(DRAWN * count), part
        drawn = philox(counter, KEY)[:, 0].astype(np.int64).reshape(DRAWN, count)
        values = most // 4 + drawn % (most - most // 4)
        light = values.sum(axis=1)
        moment = values @ places(side_px)[first : first + count]
        from_tie = quotients_from_tie(moment, light, v.position.fraction - 1, words.divider)
        side = np.where(light >= v.least_light, sides(from_tie, words.divider), 9)
        for wanted in (-1, 0, 1):
            hits = np.flatnonzero(side == wanted)
            exact = moment[hits] << np.int64(v.position.fraction)
            odd = (exact // (2 * light[hits])) & 1
            _, distinct = np.unique(2 * (moment[hits] < 0) + odd, return_index=True)
            for i in hits[distinct]:
                line = np.zeros(side_px, np.int64)
                line[first : first + count] = values[i] + words.threshold_dn
                window = np.zeros((v.height, v.width), np.int64)
                if part == 0:
                    window[v.height // 2] = line
                else:
                    window[:, v.width // 2] = line
                found.append((part, wanted, np.clip(window, 0, full_scale_dn).astype(np.int32)))
    return found
