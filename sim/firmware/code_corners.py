"""Tilts at the corners of codes: on a tie and beside it, and at both ends of the DAC."""

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.firmware.codes import CodeWords, codes_of
from sim.firmware.corners import modular_solution
from sim.firmware.rounding import Whole

LARGEST_TILT: Final = 1 << 31
"""Path and correction are words of 32 bits each; what is made here stays within one."""


class CodeRows(NamedTuple):
    """Codes of the DAC, N rows."""

    mirror: NDArray[np.int64]
    path: Whole
    """(N, 2)"""
    correction: Whole
    """(N, 2)"""
    codes: Whole
    """(N, 2)"""


def rows_with_codes(
    words: CodeWords, mirror: NDArray[np.int64], path: Whole, correction: Whole
) -> CodeRows:
    """Return rows with the codes that the model gives."""
    own = words._replace(per_px=words.per_px[:, mirror])
    codes = codes_of(own, (path + correction).T).T
    return CodeRows(mirror, path, correction, codes)


def from_tie(words: CodeWords, rows: CodeRows) -> Whole:
    """Return how far each product (N, 2) is above a tie; for combs that are not in proportion: the
    least step of the tilt to another code, 1 or -1, and 9 where there is none.
    """
    own = words._replace(per_px=words.per_px[:, rows.mirror])
    tilt = (rows.path + rows.correction).T
    if not words.square:
        product = tilt * own.per_px
        half = np.int64(1) << np.int64(words.shift - 1)
        return np.asarray(((product & ((half << 1) - 1)) - half).T)
    here = codes_of(own, tilt)
    up = codes_of(own, tilt + 1) != here
    down = codes_of(own, tilt - 1) != here
    return np.asarray(np.where(down, 1, np.where(up, -1, 9)).T)


def corner_rows(words: CodeWords, mirrors: NDArray[np.int64]) -> CodeRows:
    """Return rows at the corners of some mirrors, and at both ends of the DAC.

    Each tilt is path and correction of about one half each.
    """
    found: list[tuple[int, int, int]] = []
    for mirror in mirrors.tolist():
        for part in (0, 1):
            tilts = _square(words, part, mirror) if words.square else _ties(words, part, mirror)
            per = int(words.per_px[part, mirror])
            last = (words.highest << words.shift) // per if not words.square else 0
            ends = (last - 1, last, last + 1, -last - 1, 2 * last, -2 * last, 0, 1, -1)
            tilts += [t for t in ends if abs(t) < LARGEST_TILT]
            found += [(mirror, part, tilt) for tilt in tilts]
    mirror = np.array([m for m, _, _ in found])
    tilt = np.zeros((len(found), 2), np.int64)
    for i, (_, part, value) in enumerate(found):
        tilt[i, part] = value
    path = tilt // 2 + 12_345
    return rows_with_codes(words, mirror, path, tilt - path)


def _ties(words: CodeWords, part: int, mirror: int) -> list[int]:
    """Return tilts whose product is on a tie or one least step beside it, of both signs."""
    per = int(words.per_px[part, mirror])
    unit = per & -per
    period = max((1 << words.shift) // unit, 1)
    found = []
    for side in (-unit, 0, unit):
        target = np.array([(1 << (words.shift - 1)) + side])
        first = int(modular_solution(per, target, words.shift)[0])
        for tilt in (first, first + period, first - period, first - 2 * period):
            if abs(tilt) < LARGEST_TILT:
                found.append(tilt)
    return found


def _square(words: CodeWords, part: int, mirror: int) -> list[int]:
    """Return tilts on both sides of where the code changes, at five sizes of it."""
    per = int(words.per_px[part, mirror])
    found = []
    for code in (1, 2, words.highest // 3, words.highest // 2, words.highest):
        product = -(-((2 * code - 1) ** 2 << words.shift) // 4)
        tilt = -(-product // per)
        found += [sign * t for t in (tilt - 1, tilt) for sign in (1, -1) if t < LARGEST_TILT]
    return found
