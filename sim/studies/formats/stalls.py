"""Where an integer law stands still: mismatches that move nothing, and sections that never rest."""

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.firmware.fixed_law import FixedLaw, fixed_hand_over, fixed_step
from sim.firmware.limit_cycles import limit_cycles
from sim.firmware.noise_gain import peak_gains, power_gain, rounding_gain
from sim.firmware.ties import law_of_rows

MOST_WORDS: Final = 1 << 12
"""Mismatches up to this are tried. [unit of positions]"""
FRAMES: Final = 48
STANDING: Final = 16
"""A correction that does not change over so many frames stands still."""
STARTS: Final = 24
"""Zero-input cycles of sections are looked for from all memories up to this. [unit of the word]"""


class Stall(NamedTuple):
    """Constant mismatches of one mirror and axis that leave the correction where it is."""

    below: int
    """The largest one above zero. [unit of positions]"""
    above: int
    """The largest in magnitude below zero, as a negative number."""


class SectionRow(NamedTuple):
    """One filter section of one mirror and axis, in words."""

    number: int
    axis: str
    a1: float
    a2: float
    input_gain: float
    """Sum of the squared impulse response: variance of white noise that passes it. [-]"""
    rounding_gain: float
    """The same from one rounding to its output. [-]"""
    peak: tuple[float, float, float]
    """Largest output, first and second memory for inputs up to 1. [-]"""
    lowest: int
    """Outputs of zero-input cycles. [unit of the word]"""
    highest: int
    estimate: float
    """Jackson's 0.5 / (1 - a2): an estimate, no bound. [unit of the word]"""
    bound: float
    """Half a unit times the sum of the magnitudes of 1/A: no cycle is larger. [unit of the word]"""


def stalls_of(law: FixedLaw) -> tuple[Stall, ...]:
    """Return the mismatches (x, y) that stand still, of a law whose mirrors share it or the first.

    A constant mismatch is applied from rest for `FRAMES` frames; it stands still if the last
    `STANDING` of them leave the correction alone although it is not where an integral would take
    it. A law without an integral always stands still: there the correction's own last value tells
    nothing, and `MOST_WORDS` comes out.
    """
    sizes = np.arange(1, MOST_WORDS + 1)
    words = np.concatenate([sizes, -sizes])
    m = len(words)
    own = law_of_rows(law, np.zeros(1, np.int64))
    state = fixed_hand_over(own, np.zeros((m, 2), np.int64))
    mismatch = np.repeat(words[:, None], 2, axis=1)
    seen = np.ones((m, 2), bool)
    far = np.full((m, 2), np.int64(1) << np.int64(50))
    for _ in range(FRAMES - STANDING):
        state = fixed_step(own, state, mismatch, seen, -far, far)
    kept = state.correction
    for _ in range(STANDING):
        state = fixed_step(own, state, mismatch, seen, -far, far)
    still = state.correction == kept
    return tuple(
        Stall(_first_run(still[: len(sizes), axis]), -_first_run(still[len(sizes) :, axis]))
        for axis in (0, 1)
    )


def _first_run(still: NDArray[np.bool_]) -> int:
    """Return how many of the smallest stand still, one after the other."""
    moves = np.flatnonzero(~still)
    return int(moves[0]) if moves.size else len(still)


def worded_sections(law: FixedLaw) -> tuple[SectionRow, ...]:
    """Return the sections of the first mirror, in words: noise, range, cycles.

    A section is a transposed direct form II whose memory is as long as its products, so that it
    rounds once a frame, at its output: without input that is y[n] = Q(-a1 y[n-1] - a2 y[n-2]).
    """
    unit = 2.0**law.section_shift
    rows = []
    for i, section in enumerate(law.sections):
        for axis in (0, 1):
            words = [int(c) for c in section[0, axis]]
            b0, b1, b2, a1, a2 = (c / unit for c in words)
            if a1 == a2 == 0:
                continue
            found = limit_cycles(
                words[3], words[4], 1 << law.section_shift, law.rounding, start=STARTS
            )
            whole = peak_gains((1.0, 0.0, 0.0), a1, a2)[0]
            rows.append(
                SectionRow(
                    i, "xy"[axis], a1, a2, power_gain((b0, b1, b2), a1, a2),
                    rounding_gain(a1, a2), peak_gains((b0, b1, b2), a1, a2),
                    found.lowest, found.highest, 0.5 / (1.0 - a2) if a2 else 0.5 / (1 - abs(a1)),
                    0.5 * whole,
                )
            )  # fmt: skip
    return tuple(rows)
