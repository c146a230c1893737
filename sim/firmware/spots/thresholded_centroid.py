"""Centre of gravity above a threshold, in whole numbers."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.estimators.centroid import ThresholdedCentroidParams
from sim.firmware.rounding import Whole
from sim.firmware.settings import EstimatorArithmetic
from sim.firmware.spots.division import (
    Divider,
    divider_of,
    quotient_bits,
    quotient_words,
    refuse_long,
)
from sim.firmware.spots.sums import SumRange, sum_word
from sim.firmware.spots.verdict import SpotWords, TrustRule, judged_words, places, verdict_of
from sim.foundations.ports import CameraBelief


class ThresholdedCentroidWords(NamedTuple):
    """All constants of the estimator; whole numbers alone."""

    verdict: TrustRule
    threshold_dn: int
    """Taken off every pixel. [DN]"""
    sum_bits: int
    """Of the word of each of the three sums."""
    proven: bool
    """Whether no frame takes a sum out of its word."""
    divider: Divider


def sum_ranges(
    window_px: tuple[int, int], full_scale_dn: int, threshold_dn: int
) -> tuple[SumRange, ...]:
    """Return how far the three sums can go: every pixel at full scale, or those of one half."""
    height, width = window_px
    most = max(full_scale_dn - threshold_dn, 0)
    by_x = most * height * int(np.maximum(places(width), 0).sum())
    by_y = most * width * int(np.maximum(places(height), 0).sum())
    return (
        SumRange("the sum of the light", most * height * width, "every pixel at full scale"),
        SumRange("the moment along x", by_x, "all columns right of the middle at full scale"),
        SumRange("the moment along y", by_y, "all rows below the middle at full scale"),
    )


def thresholded_centroid_ranges(
    settings: ThresholdedCentroidParams, a: EstimatorArithmetic, window_px: tuple[int, int],
    camera: CameraBelief,
) -> tuple[SumRange, ...]:  # fmt: skip
    """Return how far sums can go; parameters as for `thresholded_centroid_words`."""
    return sum_ranges(window_px, camera.full_scale_dn, settings.threshold_dn)


def thresholded_centroid_words(
    settings: ThresholdedCentroidParams, a: EstimatorArithmetic, window_px: tuple[int, int],
    camera: CameraBelief,
) -> ThresholdedCentroidWords:  # fmt: skip
    """Put the estimator into words.

    Parameters
    ----------
    settings : ThresholdedCentroidParams
        Threshold and rules.
    a : EstimatorArithmetic
        Word lengths, rounding, division.
    window_px : (int, int)
        (H, W). [px]
    camera : CameraBelief
        Its full scale bounds the sums.

    Returns
    -------
    ThresholdedCentroidWords

    Raises
    ------
    ValueError
        If a word is too short; the message says which, and by how much.
    """
    ranges = thresholded_centroid_ranges(settings, a, window_px, camera)
    bits = sum_word(a, ranges)
    divider = divider_of(a)
    longest = quotient_bits(divider, bits_of_moments(bits, ranges), a.position_fraction - 1)
    refuse_long("position_fraction and reciprocal_bits", longest)
    verdict = verdict_of(
        a, window_px, min_flux_dn=settings.min_flux_dn, edge_px=settings.edge_px, light_fraction=0
    )
    proven = all(each.bits <= bits for each in ranges)
    return ThresholdedCentroidWords(verdict, settings.threshold_dn, bits, proven, divider)


def bits_of_moments(word_bits: int, ranges: tuple[SumRange, ...]) -> int:
    """Return the bits that the longest sum takes in its word, sign included."""
    return min(word_bits, max(each.bits for each in ranges))


def read_thresholded_centroid(
    pixels_dn: NDArray[np.int32], words: ThresholdedCentroidWords
) -> SpotWords:
    """Read spots.

    Parameters
    ----------
    pixels_dn : (M, H, W) ndarray of int
        Windows as read. [DN]
    words : ThresholdedCentroidWords
        Constants.

    Returns
    -------
    SpotWords
        The light is the sum above the threshold. [DN]

    Notes
    -----
    One pass over the rows as they arrive, no frame kept. S, X and Y start at 0, with F bits behind
    the point of positions.

    1. For each row j (0 at the top), with s and x at 0: for each column i, v = pixel - threshold;
       if v > 0: s = s + v, x = x + v (2 i - width + 1).
    2. At the end of the row: S = S + s, X = X + x, Y = Y + s (2 j - height + 1). A sum that is then
       beyond its word of `sum_bits` is cut off there, and the reading is FAILED in the end.
    3. After the last row: if S < `least_light`, DIM.
    4. x = X 2^(F - 1) / S and y = Y 2^(F - 1) / S by `quotient_words`. Moments are about the middle
       of the window: words are short, and an error in proportion to them has no mean.
    5. The verdict is that of `judged_words`.
    """
    above = np.maximum(pixels_dn - np.int32(words.threshold_dn), 0)
    v = words.verdict
    rows = above.sum(axis=2, dtype=np.int64)
    if words.proven:
        columns = above.sum(axis=1, dtype=np.int64)
        light = rows.sum(axis=1)
        moments = np.stack([columns @ places(v.width), rows @ places(v.height)], axis=-1)
        failed = np.zeros(len(light), bool)
    else:
        light, moments, failed = _cut_off(above, rows, words)
    seen = np.where(light > 0, light, 1)[:, None]
    position = quotient_words(moments, seen, v.position.fraction - 1, words.divider)
    return judged_words(v, position, light, failed)


def sums_cut_off(
    pixels_dn: NDArray[np.int32], words: ThresholdedCentroidWords
) -> NDArray[np.bool_]:
    """Return for which windows (M,) a sum left its word and was cut off."""
    if words.proven:
        return np.zeros(len(pixels_dn), bool)
    above = np.maximum(pixels_dn - np.int32(words.threshold_dn), 0)
    return _cut_off(above, above.sum(axis=2, dtype=np.int64), words)[2]


def _cut_off(
    above: NDArray[np.int32], rows: Whole, words: ThresholdedCentroidWords
) -> tuple[Whole, Whole, NDArray[np.bool_]]:
    """Sum up row by row in words that may be too short."""
    highest = (1 << (words.sum_bits - 1)) - 1
    by_x = above.astype(np.int64) @ places(words.verdict.width)
    by_y = rows * places(words.verdict.height)
    parts = np.stack([rows, by_x, by_y], axis=-1)
    sums = np.zeros((len(rows), 3), np.int64)
    failed = np.zeros(len(rows), bool)
    for j in range(parts.shape[1]):
        sums = sums + parts[:, j]
        failed |= (sums > highest).any(axis=1) | (sums < -highest - 1).any(axis=1)
        sums = np.clip(sums, -highest - 1, highest)
    return sums[:, 0], sums[:, 1:], failed
