"""Windows at the rounding corners of a centre of gravity: quotients on a tie, and beside it.

Light and moment are worked out first; two neighbouring columns (or rows) of pixels then have them.
"""

from collections.abc import Iterator
from typing import Final

import numpy as np
from numpy.typing import NDArray

from sim.firmware.quotient_corners import numerators_at
from sim.firmware.rounding import Whole
from sim.firmware.spots.thresholded_centroid import ThresholdedCentroidWords
from sim.firmware.spots.verdict import places
from sim.foundations.rng import philox

LIGHTS: Final = 2048
KINDS: Final = 4
"""Windows of a corner: of each sign, even and odd; rules for ties differ in these."""
KEY: Final = (2026, 1128)


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
    """Return windows (axis, side, pixels) whose quotient is beside or on a tie; none if the
    threshold is below zero, where dark pixels count as light.
    """
    most = full_scale_dn - words.threshold_dn
    if words.threshold_dn < 0 or most < 1:
        return []
    v = words.verdict
    found = []
    for part, (along, across, edge) in enumerate(
        ((v.width, v.height, v.edge_x), (v.height, v.width, v.edge_y))
    ):
        for side in (-1, 0, 1):
            kinds: dict[tuple[bool, int], NDArray[np.int64]] = {}
            for light, moment in _sums_at(words, part, side, most * across, edge):
                columns = _columns(light, moment, along)
                kind = (moment < 0, ((moment << v.position.fraction) // (2 * light)) & 1)
                if columns is not None and kind not in kinds:
                    kinds[kind] = np.stack([_spread(each, across) for each in columns], axis=1)
                if len(kinds) == KINDS:
                    break
            for above in kinds.values():
                window = above if part == 0 else above.T
                pixels = np.where(window > 0, window + words.threshold_dn, 0)
                found.append((part, side, pixels.astype(np.int32)))
    return found


def _sums_at(
    words: ThresholdedCentroidWords, part: int, side: int, most_light: int, edge: int
) -> Iterator[tuple[int, int]]:
    """Yield light and moment of corners whose position is within the edge."""
    v = words.verdict
    shift = v.position.fraction - 1
    counter = np.zeros((LIGHTS, 4), np.int64)
    counter[:, 0], counter[:, 1], counter[:, 2] = np.arange(LIGHTS), part, side + 1
    for i, drawn in enumerate(philox(counter, KEY)[:, 0].tolist()):
        light = v.least_light + drawn % max(most_light - v.least_light, 1)
        if i % 2:  # exact quotients come to a tie for multiples of 2^(shift + 1) alone
            light = light >> (shift + 1) << (shift + 1)
        if not v.least_light <= light <= most_light:
            continue
        for moment in numerators_at(light, side, shift, words.divider):
            if abs(moment) << shift <= (edge - 1) * light:
                yield light, moment


def _columns(light: int, moment: int, side_px: int) -> NDArray[np.int64] | None:
    """Return the light of each column that has these sums, in two neighbours; None if none has."""
    place = places(side_px)
    first = min(max((moment // light + side_px - 1) // 2, 0), side_px - 2)
    second, odd = divmod(moment - light * int(place[first]), 2)
    if odd or not 0 <= second <= light:
        return None
    columns = np.zeros(side_px, np.int64)
    columns[first], columns[first + 1] = light - second, second
    return columns


def _spread(light: int, side_px: int) -> NDArray[np.int64]:
    """Return light spread over pixels as evenly as whole numbers can; the rest in the middle."""
    each, left = divmod(int(light), side_px)
    pixels = np.full(side_px, each, np.int64)
    start = (side_px - left) // 2
    pixels[start : start + left] += 1
    return pixels
