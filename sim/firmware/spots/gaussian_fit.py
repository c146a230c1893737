"""Least-squares fit of a pixel-integrated Gaussian by a fixed number of steps, in whole numbers."""

import math
from functools import partial
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.estimators.fit import LARGEST_STEP_SIGMA, GaussianFitParams
from sim.estimators.spot_model import axis_profile, axis_slope
from sim.firmware.q_format import holding
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
)
from sim.firmware.spots.verdict import SpotWords, TrustRule, places, verdict_of
from sim.foundations.ports import CameraBelief

BACKGROUND_FRACTION = 4
"""Bits behind the point of the fitted background, beyond those of the light."""


class GaussianFitWords(NamedTuple):
    """All constants of the estimator; whole numbers alone."""

    verdict: TrustRule
    level: Level
    start: Profiles
    """Of the correlation whose peak the steps start from."""
    correlation_bits: int
    table_fraction: int
    """Entries of the tables per pixel, as a power of 2."""
    profile: tuple[int, ...]
    """Share of the light in a pixel at distances of 0, 1, ... entries; 0 beyond."""
    slope: tuple[int, ...]
    """Its change by the centre for pixels to the right of it; the opposite to the left. [1/px]"""
    model_fraction: int
    """Bits behind the point of both tables."""
    sum_bits: int
    """Of the word of sums."""
    most_light: int
    """Of a window at full scale: no fitted light is more. [unit of the light]"""
    largest_step: int
    """[unit of positions]"""
    settled: int
    """A last step of more than this is FAILED. [unit of positions]"""
    iterations: int
    divider: Divider


class _Axis(NamedTuple):
    """The functions of the model along an axis, about a centre, and their sums."""

    profile: Whole
    """(M, side)"""
    slope: Whole
    p1: Whole
    """(M,) sum of the profile."""
    p2: Whole
    """Sum of its square >> model_fraction."""
    s1: Whole
    """Sum of the slope."""
    s2: Whole
    """Sum of its square >> model_fraction."""
    sp: Whole
    """Sum of slope times profile >> model_fraction."""


def gaussian_fit_ranges(
    settings: GaussianFitParams, a: EstimatorArithmetic, window_px: tuple[int, int],
    camera: CameraBelief,
) -> tuple[SumRange, ...]:  # fmt: skip
    """Return how far sums can go, wherever the model stands."""
    light = largest_light(camera, level_of(camera, a.level_fraction))
    profile, slope, fraction = _tables(camera.spot_sigma_px, a)
    by_profile, by_slope = (largest_sum(each, 1 << a.table_fraction) for each in (profile, slope))
    one_side = "pixels at full scale on one side of the spot, and at zero on the other"
    rows = [(light * each >> fraction) + 1 for each in (by_profile, by_slope)]
    return (
        SumRange("a row's sum with the slope", light * max(by_slope, by_profile), one_side),
        SumRange("the sum with the slope", max(rows[1] * by_profile, rows[0] * by_slope), one_side),
        SumRange("the sum with the profile", rows[0] * by_profile, "every pixel at full scale"),
    )


def gaussian_fit_words(
    settings: GaussianFitParams, a: EstimatorArithmetic, window_px: tuple[int, int],
    camera: CameraBelief,
) -> GaussianFitWords:  # fmt: skip
    """Put the fit into words; parameters and errors as `thresholded_centroid_words`.

    Of the settings, `max_iterations` is replaced by the fixed number of steps, and `tolerance_px`
    is no less than one entry of the tables.
    """
    refuse_saturation(a)
    level = level_of(camera, a.level_fraction)
    light = largest_light(camera, level)
    start = correlation_taps(camera.spot_sigma_px, window_px, a.table_bits)
    profile, slope, fraction = _tables(camera.spot_sigma_px, a)
    ranges = gaussian_fit_ranges(settings, a, window_px, camera)
    bits = sum_word(a, ranges)
    divider = divider_of(a)
    pixels = window_px[0] * window_px[1]
    total_bits = (light * pixels).bit_length() + 1
    # Sums times the number of pixels, less sums of profiles times the light: the light that fits.
    fitted = max(ranges[2].bits + pixels.bit_length(), total_bits + fraction + 1) + 1
    left = max(ranges[1].bits, total_bits + fraction + 1) + 1
    longest = max(
        quotient_bits(divider, fitted, 0),
        quotient_bits(divider, total_bits + 2, BACKGROUND_FRACTION),
        quotient_bits(divider, left, a.position_fraction),
        total_bits + 2 * fraction + 2,
        correlation_bits(light.bit_length() + 1, start),
    )
    refuse_long("table_bits and reciprocal_bits", longest)
    verdict = verdict_of(
        a, window_px, min_flux_dn=settings.min_flux_dn, edge_px=settings.edge_px,
        light_fraction=a.level_fraction,
    )  # fmt: skip
    unit = 2.0**a.position_fraction
    entry = 1 << (a.position_fraction - a.table_fraction)
    return GaussianFitWords(
        verdict, level, start, correlation_bits(light.bit_length() + 1, start), a.table_fraction,
        profile, slope, fraction, bits, light * pixels,
        max(1, round(LARGEST_STEP_SIGMA * camera.spot_sigma_px * unit)),
        max(math.ceil(settings.tolerance_px * unit), entry), a.iterations, divider,
    )  # fmt: skip


def _tables(
    sigma_px: float, a: EstimatorArithmetic
) -> tuple[tuple[int, ...], tuple[int, ...], int]:
    """Return profile and slope by the distance from the centre as words, and their fraction bits.

    The largest entry takes all of `table_bits`; entries go on until they are 0.
    """
    steps = 1 << a.table_fraction
    # A pixel at 0 and a centre that moves to the left: the distance grows to the right.
    centres = -np.arange(steps * math.ceil(8.0 * sigma_px + 2)) / steps
    exact = [each(centres, sigma_px, 1)[:, 0] for each in (axis_profile, axis_slope)]
    fraction = holding(float(np.abs(exact).max()), a.table_bits + 1).fraction
    words = [np.rint(np.ldexp(each, fraction)).astype(np.int64) for each in exact]
    profile, slope = (tuple(np.trim_zeros(each, "b").tolist()) for each in words)
    return profile, slope, fraction


def read_gaussian_fit(pixels_dn: NDArray[np.int32], words: GaussianFitWords) -> SpotWords:
    """Read spots.

    Parameters
    ----------
    pixels_dn : (M, H, W) ndarray of int
        Windows as read. [DN]
    words : GaussianFitWords
        Constants.

    Returns
    -------
    SpotWords
        The light is the sum above the level, not the fitted one. [DN] times 2^`level.fraction`

    Notes
    -----
    F, T and P are the bits behind the point of positions, of the tables' entries per pixel and of
    the entries; n is the number of pixels. Here x >> k stands for (x + 2^(k - 1)) >> k.

    1. v = (pixel << `level.fraction`) - `level.word` for every pixel; L is their sum. DIM if L <
       `least_light`.
    2. Correlate v with `start`; the first largest value, row by row, is the first position p, as
       in `read_weighted_centroid`.
    3. `iterations` times, with c = the nearest entry to p, (p + 2^(F - T - 1)) >> (F - T):

       a. For column i, d = (2 i - width + 1) 2^(T - 1) - c_x; gx = entry abs(d) of `profile`, hx =
          entry abs(d) of `slope`, with the opposite sign for d < 0; 0 beyond. Likewise gy and hy
          for rows.
       b. Along each axis p1 = sum g, p2 = sum g^2 >> P, s1 = sum h, s2 = sum h^2 >> P, sp = sum g h
          >> P.
       c. For each row rg = sum of v gx >> P, rh = sum of v hx >> P. Then G = sum over rows of gy
          rg, X = sum of gy rh, Y = sum of hy rg.
       d. Light and background that fit best with the spot at c: g1 = p1x p1y >> P, g2 = p2x p2y >>
          P, D = g2 n - (g1^2 >> P); A = (G n - g1 L) / D (`quotient_words`, no bits behind the
          point); B = ((L - (A g1 >> P)) 2^4) / n. FAILED if A < 1 or D < 1, and 1 in their place;
          A is no more than `most_light`.
       e. What is left: x' = X - ((A spx >> P) p2y) - (((B s1x) >> (P + 4)) p1y), and what it
          answers to: D' = (A s2x >> P) p2y. y' likewise. FAILED if D' < 1, and 1 in its place.
       f. step = x' 2^F / D' by `quotient_words`, cut off at +- `largest_step`; p' = (c << (F -
          T)) + step, cut off at +- the place of the outermost pixel's centre.
    4. FAILED if the last p' - p is more than `settled` in x or y.
    5. The verdict is that of `judged_words`.

    Light and background are solved for first, then each axis by itself: x, y and the light hardly
    depend on each other, and where the steps end all of it is zero that a joint fit would make
    zero.
    """
    return read_iterated(pixels_dn, words, partial(_moved, words))


def _moved(
    words: GaussianFitWords, light: Whole, total: Whole, position: Whole
) -> tuple[Whole, NDArray[np.bool_]]:
    """Take one step; return positions, and which spots have nothing to be fitted."""
    v, p = words.verdict, words.model_fraction
    finer = v.position.fraction - words.table_fraction
    entry = shifted_at("entry of the tables", position, finer, Rounding.UP)
    x, y = _axis(v.width, entry[:, 0], words), _axis(v.height, entry[:, 1], words)
    by_row = products(light, np.stack([x.profile, x.slope], axis=-1), words.sum_bits)
    by_row = _down("sums of a row", by_row, p)
    both = products(np.stack([y.profile, y.slope], axis=1), by_row, words.sum_bits)
    with_profile, with_slope = both[:, 0, 0], (both[:, 0, 1], both[:, 1, 0])
    n = v.width * v.height
    g1, size = _fitted_size(x, y, n, p)
    failed = size < 1
    fitted = quotient_at(
        "light A", with_profile * n - g1 * total, np.maximum(size, 1), 0, words.divider
    )
    failed |= fitted < 1
    fitted = np.clip(fitted, 1, words.most_light)
    rest = quotient_at(
        "background B", total - _down("A g1", fitted * g1, p), np.full_like(total, n),
        BACKGROUND_FRACTION, words.divider,
    )  # fmt: skip
    steps = []
    for own, other, found in ((x, y, with_slope[0]), (y, x, with_slope[1])):
        left = found - _down("A sp", fitted * own.sp, p) * other.p2
        left = left - _down("B s1", rest * own.s1, p + BACKGROUND_FRACTION) * other.p1
        curve = _down("A s2", fitted * own.s2, p) * other.p2
        failed |= curve < 1
        steps.append(
            quotient_at("step", left, np.maximum(curve, 1), v.position.fraction, words.divider)
        )
    step = np.clip(np.stack(steps, axis=-1), -words.largest_step, words.largest_step)
    outermost = np.array([v.width - 1, v.height - 1]) << (v.position.fraction - 1)
    return np.clip((entry << np.int64(finer)) + step, -outermost, outermost), failed


def _fitted_size(x: _Axis, y: _Axis, n: int, p: int) -> tuple[Whole, Whole]:
    """Return g1 and D."""
    g1, g2 = _down("g1", x.p1 * y.p1, p), _down("g2", x.p2 * y.p2, p)
    return g1, g2 * n - _down("g1^2", g1 * g1, p)


def go_through_entries(words: GaussianFitWords) -> int:
    """Round all that depends on the entries of the tables alone, for each place of the spot.

    To be called within `noting()`. Returns the number of places.
    """
    v, t = words.verdict, words.table_fraction
    sides = []
    for side in (v.width, v.height):
        reach = (side - 1) << t >> 1
        sides.append(_axis(side, np.arange(-reach, reach + 1, dtype=np.int64), words))
    x, y = sides
    for j in range(len(y.p1)):
        one = _Axis(*(part[j : j + 1] for part in y))
        _fitted_size(x, one, v.width * v.height, words.model_fraction)
    return len(x.p1) * len(y.p1)


def _axis(side: int, entry: Whole, words: GaussianFitWords) -> _Axis:
    distance = (places(side) << np.int64(words.table_fraction - 1)) - entry[:, None]
    size = np.abs(distance)
    g = _looked_up(words.profile, size)
    h = _looked_up(words.slope, size) * np.where(distance < 0, -1, 1)
    p = words.model_fraction
    return _Axis(
        g, h, g.sum(axis=1), _down("p2", (g * g).sum(axis=1), p), h.sum(axis=1),
        _down("s2", (h * h).sum(axis=1), p), _down("sp", (g * h).sum(axis=1), p),
    )  # fmt: skip


def _looked_up(table: tuple[int, ...], index: Whole) -> Whole:
    entries = np.array([*table, 0], np.int64)
    return entries[np.minimum(index, len(table))]


def _down(place: str, values: Whole, bits: int) -> Whole:
    return shifted_at(place, values, bits, Rounding.UP)
