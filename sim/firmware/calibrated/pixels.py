"""Pixels corrected by maps in whole numbers: dark level and response of each, bad ones replaced."""

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.camera.pixel_correction import PixelCorrection, PixelMaps
from sim.firmware.rounding import Rounding, Whole, shifted
from sim.foundations.ports import Array

WORD_BITS: Final = 16
"""Of a level and of a gain, without sign; so many take the pixels, too."""
LEVEL_FRACTION: Final = 4
"""Bits behind the point of a level [DN], where it fits its word."""
LEAST_GAIN_FRACTION: Final = 12
"""Fewer bits behind the point of gains are refused: one odd pixel would coarsen all."""


class PixelWords(NamedTuple):
    """All constants of the correction; whole numbers alone."""

    bad: NDArray[np.bool_]
    """(S, H, W) pixels that are replaced."""
    level: NDArray[np.uint16] | None
    """(S, H, W) black level and dark level [DN] times 2^`level_fraction`; None: not measured."""
    gain: NDArray[np.uint16] | None
    """(S, H, W) one over the response, times 2^`gain_fraction`."""
    level_fraction: int
    gain_fraction: int
    black: int
    """Black level [DN] times 2^(level_fraction + gain_fraction)."""
    full_scale_dn: int

    @property
    def maps(self) -> PixelMaps:
        """The bad pixels alone, as maps."""
        return PixelMaps(self.bad, None, None)

    @property
    def shift(self) -> int:
        """Bits behind the point of a product."""
        return self.level_fraction + self.gain_fraction

    @property
    def product_bits(self) -> int:
        """Bits of the longest sum, sign included: any pixel, any level, any gain."""
        if self.level is None or self.gain is None:
            return 0
        longest = max(self.full_scale_dn << self.level_fraction, int(self.level.max()))
        half = 1 << (self.shift - 1)
        return (longest * int(self.gain.max()) + self.black + half).bit_length() + 1

    @property
    def error_dn(self) -> float:
        """Largest difference from the exact correction before it is rounded. [DN]

        Half a unit of the level times the largest gain, half a unit of the gain times full scale.
        """
        if self.gain is None:
            return 0.0
        largest = float(self.gain.max()) * 2.0**-self.gain_fraction
        return float(
            2.0 ** -(self.level_fraction + 1) * largest
            + self.full_scale_dn * 2.0 ** -(self.gain_fraction + 1)
        )

    @property
    def map_bytes(self) -> int:
        """Bytes of the maps of level and gain of all sensors, beside the firmware's own code."""
        return 0 if self.level is None else 4 * self.level.size

    @property
    def bad_px(self) -> list[NDArray[np.int64]]:
        """Of each sensor the bad pixels (K, 2), as (x, y), row by row."""
        return [np.argwhere(flags)[:, ::-1] for flags in self.bad]


def pixel_words(maps: PixelMaps, black_dn: float, full_scale_dn: int) -> PixelWords:
    """Put maps of pixels into words.

    Parameters
    ----------
    maps : PixelMaps
        What a calibration knows of the pixels.
    black_dn : float
        Level that corrected pixels have in the dark. [DN]
    full_scale_dn : int
        Of the converter. [DN]

    Raises
    ------
    ValueError
        If a pixel's response is so low that words of 16 bits do not hold what it takes, or its
        level is below 0.
    """
    if maps.dark_dn is None or maps.response is None:
        return PixelWords(maps.bad, None, None, 0, 0, 0, full_scale_dn)
    level = black_dn + maps.dark_dn.astype(float)
    gain = 1.0 / maps.response.astype(float)
    most = (1 << WORD_BITS) - 1
    largest = max(float(level.max(where=~maps.bad, initial=1.0)), 1.0)
    level_fraction = min(LEVEL_FRACTION, WORD_BITS - int(np.ceil(largest)).bit_length())
    good = np.where(maps.bad, 0.0, gain)
    gain_fraction = WORD_BITS - 1
    while np.rint(np.ldexp(good.max(), gain_fraction)) > most:
        gain_fraction -= 1
    if gain_fraction < LEAST_GAIN_FRACTION or level_fraction < 0:
        sensor, y, x = np.unravel_index(int(good.argmax()), gain.shape)
        raise ValueError(
            f"calibration.maps: response: words of {WORD_BITS} bits hold gains up to "
            f"{1 << (WORD_BITS - LEAST_GAIN_FRACTION)}; pixel ({x}, {y}) of sensor {sensor} takes "
            f"{gain[sensor, y, x]:.3g}; count it as bad in calibration.results"
        )
    below = np.where(maps.bad, 0.0, np.rint(np.ldexp(level, level_fraction)))
    if below.min() < 0:
        sensor, y, x = np.unravel_index(int(below.argmin()), below.shape)
        raise ValueError(
            f"calibration.maps: dark_dn: words of levels have no sign; pixel ({x}, {y}) of sensor "
            f"{sensor} is at {level[sensor, y, x]:.3g} DN in the dark; count it as bad in "
            "calibration.results"
        )
    return PixelWords(
        maps.bad,
        np.clip(np.rint(np.ldexp(level, level_fraction)), 0, most).astype(np.uint16),
        np.minimum(np.rint(np.ldexp(gain, gain_fraction)), most).astype(np.uint16),
        level_fraction, gain_fraction,
        round(np.ldexp(black_dn, level_fraction + gain_fraction)), full_scale_dn,
    )  # fmt: skip


def corrected_pixels(
    pixels_dn: NDArray[np.int32], level: Whole, gain: Whole, words: PixelWords
) -> Whole:
    """Return pixels with level and response taken out, in whole numbers. [DN]

    Parameters
    ----------
    pixels_dn, level, gain : (...) ndarray of int
        What is read, and the words of the maps at the same places.
    words : PixelWords
        Formats.

    Notes
    -----
    1. p = ((pixel << `level_fraction`) - level) gain + `black`.
    2. p / 2^(`level_fraction` + `gain_fraction`), to the nearest, ties upward.
    3. Cut off at 0 and at full scale.
    """
    left = (np.asarray(pixels_dn, np.int64) << np.int64(words.level_fraction)) - level
    whole = shifted(left * gain + words.black, words.shift, Rounding.UP)
    return np.clip(whole, 0, words.full_scale_dn)


class FixedPixelCorrection(PixelCorrection):
    """Corrects windows in whole numbers; a bad pixel is replaced as in `PixelCorrection`.

    The mean of n good neighbours with the sum s is floor((2 s + n) / (2 n)): to the nearest, ties
    upward.
    """

    def __init__(self, maps: PixelMaps, sensor: NDArray[np.int64], words: PixelWords) -> None:
        """Take maps, the sensor (M,) of each window, and the words that the maps are in."""
        super().__init__(maps, sensor, 0.0, words.full_scale_dn)
        self.words, self.sensor = words, sensor
        self._level = self._gains = np.zeros(0, np.int64)
        self._given: tuple[Whole, Whole] | None = None

    def straightened(self, frames_dn: NDArray[np.int32]) -> NDArray[np.int32]:
        """Return windows with dark level and response taken out, bad pixels as they read. [DN]"""
        if not len(self._level):
            return frames_dn.copy()
        found = corrected_pixels(frames_dn, self._level, self._gains, self.words)
        return found.astype(np.int32)

    def look_up(self, at: tuple[NDArray[np.int64], ...]) -> None:
        """Keep the words of the maps of pixels (sensor, y, x)."""
        if self._given is not None:
            self._level, self._gains = self._given
        elif self.words.level is not None and self.words.gain is not None:
            self._level = self.words.level[at].astype(np.int64)
            self._gains = self.words.gain[at].astype(np.int64)

    def corrected_with(
        self, raw_dn: NDArray[np.int64], level: Whole, gain: Whole, corner_px: Array
    ) -> NDArray[np.int32]:
        """Return the rows (N, W) of one window that have arrived, under given words. [DN]

        The neighbours of a bad pixel are those in rows that have arrived.
        """
        self._corner = np.full((1, 2), np.nan)
        self._given = (level[None], gain[None]) if self.words.level is not None else None
        return self.corrected(raw_dn[None].astype(np.int32), corner_px[None])[0]
