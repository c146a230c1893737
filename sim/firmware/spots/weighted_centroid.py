"""Centre of gravity under a Gaussian weight that follows the spot, in whole numbers."""

from functools import partial
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.estimators.centroid import WeightedCentroidParams
from sim.firmware.rounding import Rounding, Whole
from sim.firmware.settings import EstimatorArithmetic
from sim.firmware.spots.division import (
    Divider,
    divider_of,
    quotient_bits,
    refuse_long,
)
from sim.firmware.spots.iterated import read_iterated
from sim.firmware.spots.noting import quotient_at, shifted_at
from sim.firmware.spots.sums import SumRange, products, refuse_saturation, sum_word
from sim.firmware.spots.tables import (
    Level,
    Profiles,
    correlation_bits,
    correlation_taps,
    largest_light,
    largest_sum,
    level_of,
    weight_table,
)
from sim.firmware.spots.verdict import SpotWords, TrustRule, places, verdict_of
from sim.foundations.ports import CameraBelief

STRIDE_FRACTION = 8
"""Bits behind the point of the factor that lengthens a step."""


class WeightedCentroidWords(NamedTuple):
    """All constants of the estimator; whole numbers alone."""

    verdict: TrustRule
    level: Level
    start: Profiles
    """Of the correlation whose peak the iteration starts from."""
    correlation_bits: int
    """Of the word of correlations."""
    table_fraction: int
    """Entries of the table per pixel, as a power of 2."""
    weight_bits: int
    """Bits behind the point of weights."""
    weights: tuple[int, ...]
    """At distances of 0, 1, ... entries; 0 beyond."""
    sum_bits: int
    """Of the word of sums."""
    stride: int
    """Lengthens a step; times 2^`STRIDE_FRACTION`."""
    largest_step: int
    """[unit of positions]"""
    settled: int
    """A last step of more than this is FAILED. [unit of positions]"""
    iterations: int
    divider: Divider


def weighted_centroid_words(
    settings: WeightedCentroidParams, a: EstimatorArithmetic, window_px: tuple[int, int],
    camera: CameraBelief,
) -> WeightedCentroidWords:  # fmt: skip
    """Put the estimator into words; parameters and errors as `thresholded_centroid_words`.

    Of the settings, `max_iterations` is replaced by the fixed number of steps, and `tolerance_px`
    is no less than one entry of the table of weights.
    """
    refuse_saturation(a)
    level = level_of(camera, a.level_fraction)
    start = correlation_taps(camera.spot_sigma_px, window_px, a.table_bits)
    steps = 1 << a.table_fraction
    weights = weight_table(settings.weight_sigma_px, a.table_bits, steps)
    ranges = weighted_centroid_ranges(settings, a, window_px, camera)
    bits = sum_word(a, ranges)
    divider = divider_of(a)
    numerator_bits = ranges[-1].bits
    longest = quotient_bits(divider, numerator_bits, a.position_fraction - a.table_fraction)
    light_bits = largest_light(camera, level).bit_length() + 1
    starting = correlation_bits(light_bits, start)
    refuse_long("table_bits and reciprocal_bits", longest, starting)
    stride = 1.0 + (camera.spot_sigma_px**2 + 1 / 12) / settings.weight_sigma_px**2
    unit = 2.0**a.position_fraction
    entry = 1 << (a.position_fraction - a.table_fraction)
    return WeightedCentroidWords(
        verdict_of(
            a, window_px, min_flux_dn=settings.min_flux_dn, edge_px=settings.edge_px,
            light_fraction=a.level_fraction,
        ),
        level, start, starting, a.table_fraction, a.table_bits, weights, bits,
        round(stride * (1 << STRIDE_FRACTION)),
        max(1, round(settings.weight_sigma_px * unit)),
        max(int(np.ceil(settings.tolerance_px * unit)), entry),
        a.iterations, divider,
    )  # fmt: skip


def weighted_centroid_ranges(
    settings: WeightedCentroidParams, a: EstimatorArithmetic, window_px: tuple[int, int],
    camera: CameraBelief,
) -> tuple[SumRange, ...]:  # fmt: skip
    """Return how far sums can go, wherever the weight stands."""
    steps = 1 << a.table_fraction
    weights = weight_table(settings.weight_sigma_px, a.table_bits, steps)
    light = largest_light(camera, level_of(camera, a.level_fraction))
    plain = largest_sum(weights, steps)
    lever = largest_sum([w * d for d, w in enumerate(weights)], steps)
    one_side = "pixels at full scale on one side of the weight, and at zero on the other"
    longest = max(plain, lever)
    of_row = light * longest
    of_window = max(
        ((light * along >> a.table_bits) + 1) * across
        for along, across in ((plain, longest), (longest, plain))
    )
    return (
        SumRange("the weighted moment of a row", of_row, one_side),
        SumRange("the weighted moment", of_window, one_side),
    )


def read_weighted_centroid(pixels_dn: NDArray[np.int32], words: WeightedCentroidWords) -> SpotWords:
    """Read spots.

    Parameters
    ----------
    pixels_dn : (M, H, W) ndarray of int
        Windows as read. [DN]
    words : WeightedCentroidWords
        Constants.

    Returns
    -------
    SpotWords
        The light is the sum above the level. [DN] times 2^`level.fraction`

    Notes
    -----
    F is the number of bits behind the point of positions, T that of the table's entries per pixel.
    The frame is kept.

    1. v = (pixel << `level.fraction`) - `level.word` for every pixel; L is their sum. DIM if L <
       `least_light`.
    2. Correlate v with `start` (`correlations`); the first largest value, row by row, at column i
       and row j, starts the iteration: p = ((2 i - width + 1) 2^(F - 1), (2 j - height + 1)
       2^(F - 1)).
    3. `iterations` times, with c = (p + 2^(F - T - 1)) >> (F - T), the nearest entry of the table
       (c = p if F = T):

       a. For column i the distance d = (2 i - width + 1) 2^(T - 1) - c_x, and w = entry abs(d) of
          `weights`, 0 beyond the table; likewise for rows.
       b. For each row: r0 = sum of v w, r1 = sum of v (w d); each is then (r + 2^(B - 1)) >> B, B =
          `weight_bits`.
       c. m0 = sum over rows of w r0; mx = sum of w r1; my = sum of (w d) r0.
       d. If m0 <= 0: the reading is FAILED, and m0 counts as 1.
       e. q = m 2^(F - T) / m0 by `quotient_words`, cut off at +- `largest_step`; step = (q stride +
          2^7) >> 8, cut off likewise.
       f. p' = (c << (F - T)) + step, cut off at +- the place of the outermost pixel's centre.
    4. FAILED if the last p' - p is more than `settled` in x or y.
    5. The verdict is that of `judged_words`.

    Moments are taken about an entry of the table, not about p: the weight is then exact, however
    few entries there are, and moving it by less than an entry changes next to nothing.
    """
    return read_iterated(pixels_dn, words, partial(_moved, words))


def _moved(
    words: WeightedCentroidWords, light: Whole, total: Whole, position: Whole
) -> tuple[Whole, NDArray[np.bool_]]:
    """Take one step; return positions, and which spots have no light under the weight."""
    v, t = words.verdict, words.table_fraction
    finer = v.position.fraction - t
    entry = shifted_at("entry of the table", position, finer, Rounding.UP)
    weight_x, lever_x = _weights(v.width, entry[:, 0], words)
    weight_y, lever_y = _weights(v.height, entry[:, 1], words)
    by_row = products(light, np.stack([weight_x, lever_x], axis=-1), words.sum_bits)
    by_row = shifted_at("sums of a row", by_row, words.weight_bits, Rounding.UP)
    both = products(np.stack([weight_y, lever_y], axis=1), by_row, words.sum_bits)
    under = both[:, 0, 0]
    moments = np.stack([both[:, 0, 1], both[:, 1, 0]], axis=-1)
    lost = under <= 0
    below = np.where(lost, 1, under)[:, None]
    q = quotient_at("moment over light", moments, below, finer, words.divider)
    q = np.clip(q, -words.largest_step, words.largest_step)
    step = shifted_at("step", q * words.stride, STRIDE_FRACTION, Rounding.UP)
    step = np.clip(step, -words.largest_step, words.largest_step)
    outermost = np.array([v.width - 1, v.height - 1]) << (v.position.fraction - 1)
    return np.clip((entry << np.int64(finer)) + step, -outermost, outermost), lost


def _weights(side: int, entry: Whole, words: WeightedCentroidWords) -> tuple[Whole, Whole]:
    """Return weights (M, side) along an axis, and weights times distances."""
    table = np.array([*words.weights, 0], np.int64)
    distance = (places(side) << np.int64(words.table_fraction - 1)) - entry[:, None]
    weight = table[np.minimum(np.abs(distance), len(words.weights))]
    return weight, weight * distance
