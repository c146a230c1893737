"""Tables of weights and profiles, and the light above the background, in whole numbers."""

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.estimators.spot_model import axis_profile
from sim.firmware.rounding import Rounding, Whole
from sim.firmware.spots.noting import shifted_at
from sim.firmware.spots.sums import products
from sim.firmware.spots.verdict import places
from sim.foundations.ports import CameraBelief

REACH_SIGMA = 3.5
"""Profiles are cut off beyond; they are 0.2 % of their peak there. [spot sigmas]"""


class Level(NamedTuple):
    """What is taken off every pixel."""

    word: int
    """Black level and background. [DN] times 2^fraction"""
    fraction: int


class Profiles(NamedTuple):
    """The profile of a spot on each pixel of a row and of a column, for correlations."""

    reach: int
    """Pixels to either side."""
    fraction: int
    """Bits behind the point of taps."""
    along_x: tuple[tuple[int, ...], ...]
    """(W, 2 reach + 1): the tap of pixel i + k - reach for a spot on pixel i; 0 outside."""
    along_y: tuple[tuple[int, ...], ...]
    """(H, 2 reach + 1)"""


def level_of(camera: CameraBelief, fraction: int) -> Level:
    """Return black level and believed background as a word."""
    level_dn = camera.black_dn + camera.gain_dn_per_e * camera.background_e
    return Level(round(level_dn * 2**fraction), fraction)


def largest_light(camera: CameraBelief, level: Level) -> int:
    """Return the largest magnitude of a pixel above its level. [DN] times 2^fraction"""
    return max(abs((camera.full_scale_dn << level.fraction) - level.word), abs(level.word))


def above(pixels_dn: NDArray[np.int32], level: Level) -> Whole:
    """Return pixels above the level, negative ones too: (pixel << fraction) - word."""
    return (pixels_dn.astype(np.int64) << np.int64(level.fraction)) - np.int64(level.word)


def weight_table(sigma_px: float, fraction: int, steps: int) -> tuple[int, ...]:
    """Return a Gaussian weight of 1 at its middle, at distances of 0, 1, ... steps.

    Parameters
    ----------
    sigma_px : float
        Width. [px]
    fraction : int
        Bits behind the point of an entry.
    steps : int
        Entries per pixel.

    Returns
    -------
    tuple of int
        Up to the last one that is not 0.
    """
    length = math.ceil(sigma_px * steps * math.sqrt(2 * math.log(2.0 ** (fraction + 1)))) + 1
    exact = np.exp(-0.5 * (np.arange(length) / (steps * sigma_px)) ** 2)
    words = np.rint(np.ldexp(exact, fraction)).astype(np.int64)
    return tuple(np.trim_zeros(words, "b").tolist())


def largest_sum(table: Sequence[int], steps: int) -> int:
    """Return the largest sum of magnitudes over pixels, wherever the table's middle stands.

    Parameters
    ----------
    table : sequence of int
        Entries at distances of 0, 1, ... to either side.
    steps : int
        Entries per pixel.
    """
    both = np.abs(np.array([*table[:0:-1], *table], np.int64))
    return max(int(both[phase::steps].sum()) for phase in range(steps))


def correlation_taps(sigma_px: float, window_px: tuple[int, int], fraction: int) -> Profiles:
    """Return the taps of correlations, each profile of unit length within the window."""
    height, width = window_px
    reach = math.ceil(REACH_SIGMA * sigma_px)
    return Profiles(
        reach, fraction, _taps(sigma_px, width, reach, fraction),
        _taps(sigma_px, height, reach, fraction),
    )  # fmt: skip


def _taps(sigma_px: float, n_px: int, reach: int, fraction: int) -> tuple[tuple[int, ...], ...]:
    rows = axis_profile(np.arange(n_px), sigma_px, n_px)
    rows = rows / np.linalg.norm(rows, axis=1, keepdims=True)
    words = np.rint(np.ldexp(rows, fraction)).astype(np.int64)
    padded = np.pad(words, ((0, 0), (reach, reach)))
    return tuple(tuple(padded[i, i : i + 2 * reach + 1].tolist()) for i in range(n_px))


def square(taps: tuple[tuple[int, ...], ...]) -> Whole:
    """Return taps as a square matrix: row i holds the profile of a spot on pixel i."""
    n, reach = len(taps), (len(taps[0]) - 1) // 2
    found = np.zeros((n, n + 2 * reach), np.int64)
    for i, row in enumerate(taps):
        found[i, i : i + 2 * reach + 1] = row
    return found[:, reach : n + reach]


def correlation_bits(light_bits: int, p: Profiles) -> int:
    """Return the bits that a correlation can take, sign included."""
    by_row, by_column = (int(np.abs(square(t)).sum(axis=1).max()) for t in (p.along_x, p.along_y))
    largest = ((1 << (light_bits - 1)) * by_row >> p.fraction) + 1
    return max((largest * by_column).bit_length(), ((1 << light_bits) * by_row).bit_length()) + 1


def correlations(light: Whole, p: Profiles, bits: int) -> Whole:
    """Return the correlation (M, H, W) of light with the profile on each pixel.

    Notes
    -----
    1. Along each row: c[i] = sum over k of tap_x[i][k] light[i + k - reach]; then
       (c + 2^(fraction - 1)) >> fraction.
    2. Along each column of what comes out: sum over k of tap_y[j][k] c[j + k - reach]; no shift.
    """
    by_row = products(light, square(p.along_x).T, bits)
    by_row = shifted_at("correlation along a row", by_row, p.fraction, Rounding.UP)
    return products(square(p.along_y), by_row, bits)


def brightest_pixel(values: Whole) -> Whole:
    """Return column and row (M, 2) of the largest value; the first one, row by row, of equals."""
    n, height, width = values.shape
    flat = values.reshape(n, height * width).argmax(axis=1)
    return np.stack([flat % width, flat // width], axis=-1)


def pixel_word(pixel: Whole, width: int, height: int, fraction: int) -> Whole:
    """Return pixels (M, 2) as words of positions: (2 i - side + 1) 2^(fraction - 1)."""
    place = np.stack([places(width)[pixel[:, 0]], places(height)[pixel[:, 1]]], axis=-1)
    return place << np.int64(fraction - 1)
