"""Vertex of the parabola through logarithms about the brightest pixel, in whole numbers.

As read, or of the correlation with the spot's profile.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.estimators.peak import LogPeakParams, MatchedFilterParams
from sim.firmware.rounding import Whole
from sim.firmware.settings import EstimatorArithmetic
from sim.firmware.spots.division import (
    Divider,
    divider_of,
    quotient_bits,
    refuse_long,
)
from sim.firmware.spots.logarithm import LOG_FRACTION, log_table, log_words
from sim.firmware.spots.noting import quotient_at
from sim.firmware.spots.sums import SumRange, refuse_saturation
from sim.firmware.spots.tables import (
    Level,
    Profiles,
    above,
    brightest_pixel,
    correlation_bits,
    correlation_taps,
    correlations,
    largest_light,
    level_of,
    pixel_word,
)
from sim.firmware.spots.verdict import SpotWords, TrustRule, judged_words, verdict_of
from sim.foundations.ports import CameraBelief


class PeakWords(NamedTuple):
    """All constants of the estimator; whole numbers alone."""

    verdict: TrustRule
    level: Level
    matched: Profiles | None
    """What frames are correlated with; None: the pixels themselves are looked at."""
    sum_bits: int
    """Of the longest sum."""
    logarithms: tuple[int, ...]
    """Of `logarithm.log_table`."""
    divider: Divider


def matched_filter_ranges(
    settings: LogPeakParams | MatchedFilterParams, a: EstimatorArithmetic,
    window_px: tuple[int, int], camera: CameraBelief,
) -> tuple[SumRange, ...]:  # fmt: skip
    """Return how far the correlation can go."""
    light = largest_light(camera, level_of(camera, a.level_fraction))
    profile = correlation_taps(camera.spot_sigma_px, window_px, a.table_bits)
    bits = correlation_bits(light.bit_length() + 1, profile)
    example = "every pixel of the profile at full scale"
    return (*log_peak_ranges(settings, a, window_px, camera),
            SumRange("the correlation", (1 << (bits - 1)) - 1, example))  # fmt: skip


def log_peak_ranges(
    settings: LogPeakParams | MatchedFilterParams, a: EstimatorArithmetic,
    window_px: tuple[int, int], camera: CameraBelief,
) -> tuple[SumRange, ...]:  # fmt: skip
    """Return how far the sum of the light can go."""
    light = largest_light(camera, level_of(camera, a.level_fraction))
    total = light * window_px[0] * window_px[1]
    return (SumRange("the sum of the light", total, "every pixel at full scale"),)


def matched_filter_words(
    settings: MatchedFilterParams, a: EstimatorArithmetic, window_px: tuple[int, int],
    camera: CameraBelief,
) -> PeakWords:  # fmt: skip
    """Put the matched filter into words; parameters and errors as `thresholded_centroid_words`."""
    return _words(settings, a, window_px, camera, matched=True)


def log_peak_words(
    settings: LogPeakParams, a: EstimatorArithmetic, window_px: tuple[int, int],
    camera: CameraBelief,
) -> PeakWords:  # fmt: skip
    """Put the peak's parabola into words; parameters and errors as `thresholded_centroid_words`."""
    return _words(settings, a, window_px, camera, matched=False)


def _words(
    settings: LogPeakParams | MatchedFilterParams, a: EstimatorArithmetic,
    window_px: tuple[int, int], camera: CameraBelief, *, matched: bool,
) -> PeakWords:  # fmt: skip
    refuse_saturation(a)
    if min(window_px) < 3:
        raise ValueError(f"window_px: must be 3 or more (got {list(window_px)})")
    level = level_of(camera, a.level_fraction)
    profile = correlation_taps(camera.spot_sigma_px, window_px, a.table_bits) if matched else None
    ranges = (matched_filter_ranges if matched else log_peak_ranges)(settings, a, window_px, camera)
    bits = max(each.bits for each in ranges)
    divider = divider_of(a)
    # Logarithms of words of up to 62 bits are below 2^6.
    longest = quotient_bits(divider, LOG_FRACTION + 8, a.position_fraction - 1)
    refuse_long("table_bits and reciprocal_bits", longest, bits)
    verdict = verdict_of(
        a, window_px, min_flux_dn=settings.min_flux_dn, edge_px=settings.edge_px,
        light_fraction=a.level_fraction,
    )  # fmt: skip
    return PeakWords(verdict, level, profile, bits, log_table(), divider)


def read_peak(pixels_dn: NDArray[np.int32], words: PeakWords) -> SpotWords:
    """Read spots.

    Parameters
    ----------
    pixels_dn : (M, H, W) ndarray of int
        Windows as read. [DN]
    words : PeakWords
        Constants.

    Returns
    -------
    SpotWords
        The light is the sum above the level. [DN] times 2^`level.fraction`

    Notes
    -----
    F is the number of bits behind the point of positions.

    1. v = (pixel << `level.fraction`) - `level.word` for every pixel; L is their sum. DIM if L <
       `least_light`.
    2. Where there is a profile, v becomes its correlation (`correlations`).
    3. The first largest v, row by row, at column i and row j. An outermost pixel is EDGE; i is then
       cut off at 1 and width - 2, j likewise.
    4. Its v and those of its four neighbours; FAILED if one is below 1. c, and b and a before and
       after along each axis, are their logarithms (`log_words`).
    5. d = 2 c - b - a; FAILED if d < 1. Offset = (a - b) 2^(F - 1) / d by `quotient_words`.
    6. x = (2 i - width + 1) 2^(F - 1) + offset, y likewise. The verdict is that of `judged_words`.
    """
    v = words.verdict
    light = above(pixels_dn, words.level)
    total = light.sum(axis=(1, 2))
    if words.matched is not None:
        light = correlations(light, words.matched, words.sum_bits)
    pixel = brightest_pixel(light)
    last = np.array([v.width - 1, v.height - 1])
    outermost = ((pixel == 0) | (pixel == last)).any(axis=1)
    pixel = np.clip(pixel, 1, last - 1)
    five = _cross(light, pixel)
    failed: NDArray[np.bool_] = np.asarray((five < 1).any(axis=1))
    logs = log_words(np.maximum(five, 1), words.logarithms)
    centre, before, after = logs[:, :1], logs[:, 1:3], logs[:, 3:]
    bend = 2 * centre - before - after
    failed |= (bend < 1).any(axis=1)
    offset = quotient_at(
        "offset", after - before, np.maximum(bend, 1), v.position.fraction - 1, words.divider
    )
    position = pixel_word(pixel, v.width, v.height, v.position.fraction) + offset
    return judged_words(v, position, total, failed, outermost)


def _cross(light: Whole, pixel: Whole) -> Whole:
    """Return the values (M, 5) at a pixel, to its left, above, to its right, and below it."""
    spot = np.arange(len(light))
    x, y = pixel.T
    return np.stack(
        [light[spot, y, x], light[spot, y, x - 1], light[spot, y - 1, x],
         light[spot, y, x + 1], light[spot, y + 1, x]], axis=-1,
    )  # fmt: skip
