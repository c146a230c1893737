"""From words of tilt to codes of the DAC: feed-forward and correction added, scaled, rounded."""

from typing import NamedTuple

import numpy as np

from sim.firmware.q_format import QFormat, holding
from sim.firmware.reciprocal import square_root
from sim.firmware.rounding import Rounding, Whole, shifted
from sim.foundations.ports import Array
from sim.mirror.motion import Asked
from sim.mirror.propagator import Drive

LONGEST_PRODUCT = 59
"""Bits of tilt times coefficient, sign included; the root of a comb's square takes two more."""


class CodeWords(NamedTuple):
    """All constants of the way to the DAC; whole numbers alone."""

    fraction: int
    """Bits behind the point of tilts [px], feed-forward and correction alike."""
    per_px: Whole
    """(2, M) codes per pixel of tilt, or squared codes, times 2^(shift - fraction)."""
    shift: int
    lowest: int
    """Lowest code."""
    highest: int
    square: bool
    """Whether the tilt goes as the square of the code (single-sided combs)."""
    rounding: Rounding


def code_words(
    correction: QFormat, coefficient_bits: int, rounding: Rounding, *, scale_px_per_rad: float,
    believed_gain: Array, drive: Drive,
) -> CodeWords:  # fmt: skip
    """Put the drive's calibration into words.

    Parameters
    ----------
    correction : QFormat
        Of the correction. [px]
    coefficient_bits : int
        Of a coefficient, sign included; all mirrors share the shift.
    rounding : Rounding
        Of a code.
    scale_px_per_rad : float
        Of the camera. [px/rad]
    believed_gain : (2, M) ndarray
        Tilt per volt, or per volt squared, as the firmware knows it. [rad/V, rad/V^2]
    drive : Drive
        Its step and its codes.

    Returns
    -------
    CodeWords

    Raises
    ------
    ValueError
        If a product could leave its word.
    """
    step = drive.lsb_v**2 if drive.square else drive.lsb_v
    exact = 1.0 / (scale_px_per_rad * believed_gain * step)
    form = holding(float(exact.max()), coefficient_bits)
    bits = correction.bits + 1 + coefficient_bits
    if bits > LONGEST_PRODUCT:
        raise ValueError(
            f"state_bits and coefficient_bits: tilt times codes per pixel takes {bits} bits, and "
            f"{LONGEST_PRODUCT} are there"
        )
    return CodeWords(
        correction.fraction, form.nearest(exact), correction.fraction + form.fraction,
        -int(drive.codes), int(drive.codes) - 1, drive.square, rounding,
    )  # fmt: skip


def codes_of(words: CodeWords, tilt: Whole) -> Whole:
    """Return the DAC codes (..., 2, M) for words of tilt: feed-forward plus correction.

    Notes
    -----
    1. p = tilt per_px.
    2. In proportion: code = p / 2^shift, rounded as `rounding` says.
       As a square: r = floor(sqrt(floor(4 abs(p) / 2^shift))); code = (r + 1) >> 1, with the sign
       of p: the nearest code, whatever `rounding`.
    3. Cut off at the lowest and the highest code.
    """
    p = tilt * words.per_px
    if words.square:
        four = np.abs(p) << np.int64(2)
        root = square_root(shifted(four, words.shift, Rounding.FLOOR))
        code = np.sign(p) * ((root + 1) >> 1)
    else:
        code = shifted(p, words.shift, words.rounding)
    return np.clip(code, words.lowest, words.highest)


class CodedDrive:
    """What a drive is asked for when its codes come from words; the loop passes through it."""

    warnings: tuple[str, ...] = ()
    """What is to be said where codes are not those of the run's own calibration."""

    def __init__(
        self, words: CodeWords, *, scale_px_per_rad: float, believed_gain: Array, drive: Drive
    ) -> None:
        self.words = words
        self.fraction, self.square = words.fraction, drive.square
        self._px_per_rad = scale_px_per_rad
        step = drive.lsb_v**2 if drive.square else drive.lsb_v
        self._rad_per_code = believed_gain * step

    def asked(self, asked: Asked, first: int, last: int, n_ticks: int) -> Asked:
        """Return the same request with each tick's tilt that of its whole code.

        Parameters
        ----------
        asked : Asked
            Feed-forward and corrections [rad]; the latter are words already, the former is rounded
            to the nearest word of the same format, tick by tick.
        first, last : int
            Ticks that are asked for.
        n_ticks : int
            In a frame.

        Returns
        -------
        Asked
            Its path is that of the codes, its corrections are zero.
        """
        path = self.word(asked.path_rad)
        before, after = self.word(asked.before_rad), self.word(asked.after_rad)
        found = np.zeros((n_ticks, *before.shape))
        change = min(max(asked.change_tick, first), last)
        for correction, a, b in ((before, first, change), (after, change, last)):
            if b > a:
                ticks = path if len(path) == 1 else path[a:b]
                found[a:b] = self.tilt_rad(self.codes(ticks, correction))
        none = np.zeros_like(asked.before_rad)
        return Asked(found, none, none, n_ticks)

    def codes(self, path: Whole, correction: Whole) -> Whole:
        """Return codes (T, 2, M) for the path's words (T or 1, 2, M) and the correction (2, M)."""
        return codes_of(self.words, path + correction)

    def tilt_rad(self, codes: Whole) -> Array:
        """Return the static tilt that codes (..., 2, M) stand for, as believed. [rad]"""
        whole = codes.astype(np.float64)
        return self._rad_per_code * (whole * np.abs(whole) if self.square else whole)

    def word(self, tilt_rad: Array) -> Whole:
        """Return tilts as the nearest words."""
        px = np.ldexp(tilt_rad * self._px_per_rad, self.fraction)
        return np.rint(px).astype(np.int64)
