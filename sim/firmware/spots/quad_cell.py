"""Quad cell in whole numbers: four sums, one quotient an axis, and the curve as a table."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.estimators.quad_cell import QuadCellParams, offset_from_balance
from sim.firmware.rounding import Rounding
from sim.firmware.settings import EstimatorArithmetic
from sim.firmware.spots.division import (
    Divider,
    divider_of,
    quotient_bits,
    refuse_long,
)
from sim.firmware.spots.noting import quotient_at, shifted_at
from sim.firmware.spots.sums import SumRange, refuse_saturation, sum_word
from sim.firmware.spots.tables import Level, above, largest_light, level_of
from sim.firmware.spots.verdict import SpotWords, TrustRule, judged_words, verdict_of
from sim.foundations.ports import CameraBelief

INDEX_BITS = 8
RATIO_FRACTION = 16
"""Bits behind the point of the balance."""
FINER_BITS = 4
"""Entries of the curve have so many bits more behind the point than positions."""


class QuadCellWords(NamedTuple):
    """All constants of the estimator; whole numbers alone."""

    verdict: TrustRule
    level: Level
    half_width: int
    """Columns of a half; the gap lies between the halves. [px]"""
    half_height: int
    sum_bits: int
    """Of the word of sums."""
    largest_ratio: int
    """A larger balance is FAILED; times 2^`RATIO_FRACTION`."""
    curve: tuple[int, ...]
    """Offset at balances of 0, 1/256, ... up to the largest; in 2^-4 units of positions."""
    divider: Divider


def quad_cell_ranges(
    settings: QuadCellParams, a: EstimatorArithmetic, window_px: tuple[int, int],
    camera: CameraBelief,
) -> tuple[SumRange, ...]:  # fmt: skip
    """Return how far sums can go."""
    height, width = window_px
    pixels = (height - settings.gap_px) * (width - settings.gap_px)
    light = largest_light(camera, level_of(camera, a.level_fraction))
    return (SumRange("the sum of four cells", pixels * light, "every pixel at full scale"),)


def quad_cell_words(
    settings: QuadCellParams, a: EstimatorArithmetic, window_px: tuple[int, int],
    camera: CameraBelief,
) -> QuadCellWords:  # fmt: skip
    """Put the quad cell into words; parameters and errors as `thresholded_centroid_words`."""
    refuse_saturation(a)
    height, width = window_px
    for side in (width, height):
        if (side - settings.gap_px) % 2 or settings.gap_px >= side:
            raise ValueError(
                f"gap_px must leave two equal halves of {side} pixels, got {settings.gap_px}"
            )
    half_x, half_y = (width - settings.gap_px) // 2, (height - settings.gap_px) // 2
    level = level_of(camera, a.level_fraction)
    ranges = quad_cell_ranges(settings, a, window_px, camera)
    bits = sum_word(a, ranges)
    divider = divider_of(a)
    longest = quotient_bits(divider, ranges[0].bits, RATIO_FRACTION)
    refuse_long("reciprocal_bits", longest)
    sigma_px = camera.spot_sigma_px
    count = int(np.floor(settings.max_ratio * (1 << INDEX_BITS))) + 2
    # The entry behind the largest balance may be that of 1, which is infinite: a straight line on.
    ratio = np.arange(count) / (1 << INDEX_BITS)
    offset_px = sigma_px * offset_from_balance(
        np.minimum(ratio, 1 - 2.0 ** -(INDEX_BITS + 4)), 0.5 * settings.gap_px / sigma_px
    )
    curve = np.rint(np.ldexp(offset_px, a.position_fraction + FINER_BITS)).astype(np.int64)
    verdict = verdict_of(
        a, window_px, min_flux_dn=settings.min_flux_dn, edge_px=settings.edge_px,
        light_fraction=a.level_fraction,
    )  # fmt: skip
    return QuadCellWords(
        verdict, level, half_x, half_y, bits,
        int(np.floor(np.ldexp(settings.max_ratio, RATIO_FRACTION))), tuple(curve.tolist()), divider,
    )  # fmt: skip


def read_quad_cell(pixels_dn: NDArray[np.int32], words: QuadCellWords) -> SpotWords:
    """Read spots.

    Parameters
    ----------
    pixels_dn : (M, H, W) ndarray of int
        Windows as read. [DN]
    words : QuadCellWords
        Constants.

    Returns
    -------
    SpotWords
        The light is the sum of the four cells above the level. [DN] times 2^`level.fraction`

    Notes
    -----
    One pass over the rows as they arrive. F is the number of bits behind the point of positions.

    1. v = (pixel << `level.fraction`) - `level.word` for every pixel that is not in the gap.
    2. T = sum of v; X = sum of v right of the middle less that left of it; Y = sum of v below the
       middle less that above it. DIM if T < `least_light`.
    3. r = X 2^16 / T by `quotient_words`; FAILED if r is beyond +- `largest_ratio`; |r| is cut off
       there.
    4. i = |r| >> 8, f = |r| & 255; offset = curve[i] + (((curve[i + 1] - curve[i]) f + 128) >> 8),
       with the sign of r.
    5. x = offset / 2^4, rounded as `rounding` says; y likewise from Y. The verdict is that of
       `judged_words`.
    """
    v = words.verdict
    light = above(pixels_dn, words.level)
    halves_x = (slice(None, words.half_width), slice(v.width - words.half_width, None))
    halves_y = (slice(None, words.half_height), slice(v.height - words.half_height, None))
    cells = [[light[:, y, x].sum(axis=(1, 2)) for x in halves_x] for y in halves_y]
    (top_left, top_right), (bottom_left, bottom_right) = cells
    total = top_left + top_right + bottom_left + bottom_right
    excess_x = top_right + bottom_right - top_left - bottom_left
    excess_y = bottom_left + bottom_right - top_left - top_right
    excess = np.stack([excess_x, excess_y], axis=-1)
    light_seen = np.maximum(total, 1)[:, None]
    ratio = quotient_at("balance", excess, light_seen, RATIO_FRACTION, words.divider)
    failed: NDArray[np.bool_] = np.asarray((np.abs(ratio) > words.largest_ratio).any(axis=1))
    size = np.minimum(np.abs(ratio), words.largest_ratio)
    curve = np.array(words.curve, np.int64)
    i, f = size >> INDEX_BITS, size & ((1 << INDEX_BITS) - 1)
    between = (curve[i + 1] - curve[i]) * f
    between = shifted_at("curve between two entries", between, INDEX_BITS, Rounding.UP)
    offset = np.sign(ratio) * (curve[i] + between)
    position = shifted_at("position", offset, FINER_BITS, words.divider.rounding)
    return judged_words(v, position, total, failed)
