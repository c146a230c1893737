"""A control law in whole numbers: the same law, with words in place of real numbers.

Lengths are in pixels of the camera times a power of two: what the spots' positions come in. Each
row of the law is a sum of exact products, rounded once by a shift, and cut off at its word.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.firmware.q_format import QFormat
from sim.firmware.rounding import Rounding, Whole, shifted


class Formats(NamedTuple):
    """The words of a law."""

    position: QFormat
    value: QFormat
    """What passes the sections."""
    memory: QFormat
    """The memory of sections; as fine as their products, so that it is never rounded."""
    states: tuple[QFormat, ...]
    correction: QFormat


class FixedLaw(NamedTuple):
    """A `LinearLaw` in whole numbers."""

    formats: Formats
    sections: Whole
    """(s, 1 or M, 2, 5) as [b0, b1, b2, a1, a2], times 2^section_shift."""
    section_shift: int
    rows: Whole
    """(2, 1 or M, 2, n + 1, n + 2) for mirrors seen and lost: rows for the n states and the
    correction; columns from the mismatch, the n states and the last correction."""
    shifts: NDArray[np.int64]
    """(2, n + 1) of each row."""
    conditional: NDArray[np.bool_]
    previous: NDArray[np.bool_]
    standing: Whole
    """(1 or M, 2, n) words of states at rest for one unit of the correction's word, times
    2^standing_shifts."""
    standing_shifts: NDArray[np.int64]
    """(n,)"""
    rounding: Rounding


class FixedState(NamedTuple):
    """What the integer loop remembers; all words."""

    states: Whole
    """(M, 2, n)"""
    known: NDArray[np.bool_]
    """(M, 2) whether the last frame had a mismatch, so that `previous` states hold one."""
    correction: Whole
    """(M, 2) the last one granted."""
    filters: Whole
    """(M, 2, s, 2)"""
    saturated: Whole
    """(M, 2) times that a word was cut off since the start."""


def fixed_step(
    law: FixedLaw, state: FixedState, mismatch: Whole, seen: NDArray[np.bool_], lowest: Whole,
    highest: Whole,
) -> FixedState:  # fmt: skip
    """Return the state after a frame: `sim.foundations.ports.linear_law.law_step` in words.

    Parameters
    ----------
    law : FixedLaw
        What is done.
    state : FixedState
        The state before.
    mismatch : (M, 2) ndarray of int64
        Reference minus position, in the words of positions; 0 where lost.
    seen : (M, 2) ndarray of bool
        False where lost.
    lowest, highest : (M, 2) ndarray of int64
        The limits of the correction, in its words.

    Returns
    -------
    FixedState
    """
    f = law.formats
    cut = f.position.overflows(mismatch).astype(np.int64)
    value = f.position.saturated(mismatch)
    filters, value, cut = _filtered(law, state.filters, value, seen, cut)
    x = np.where(law.previous & ~state.known[..., None], value[..., None], state.states)
    last = state.correction
    after, wanted, cut = _rows(law, 0, x, value, last, cut)
    if not seen.all():
        coasting, held, cut_lost = _rows(law, 1, x, np.zeros_like(value), last, np.zeros_like(cut))
        after = np.where(seen[..., None], after, coasting)
        wanted = np.where(seen, wanted, held)
        cut = np.where(seen, cut, cut_lost)
    granted = np.minimum(np.maximum(wanted, lowest), highest)
    for i in np.flatnonzero(law.conditional):
        before = state.states[..., i]
        presses = np.sign(wanted - granted) * np.sign(after[..., i] - before) > 0
        kept = np.where(presses, before, after[..., i])
        bits = f.states[i].fraction - f.correction.fraction
        low, high = (shifted(edge, -bits, Rounding.FLOOR) for edge in (lowest, highest))
        kept = np.minimum(np.maximum(kept, low), high)
        after[..., i] = np.where(seen, kept, after[..., i])
    return FixedState(after, seen.copy(), granted, filters, state.saturated + cut)


def _rows(
    law: FixedLaw, which: int, x: Whole, value: Whole, last: Whole, cut: Whole
) -> tuple[Whole, Whole, Whole]:
    f = law.formats
    rows, shifts = law.rows[which], law.shifts[which]
    after = np.empty_like(x)
    n = x.shape[-1]
    for i in range(n):
        total = rows[..., i, 0] * value + rows[..., i, n + 1] * last
        total = total + (rows[..., i, 1 : n + 1] * x).sum(axis=-1)
        word = shifted(total, int(shifts[i]), law.rounding)
        cut = cut + f.states[i].overflows(word)
        after[..., i] = f.states[i].saturated(word)
    total = rows[..., n, 0] * value + rows[..., n, n + 1] * last
    total = total + (rows[..., n, 1 : n + 1] * after).sum(axis=-1)
    word = shifted(total, int(shifts[n]), law.rounding)
    return after, f.correction.saturated(word), cut + f.correction.overflows(word)


def _filtered(
    law: FixedLaw, memory: Whole, position: Whole, seen: NDArray[np.bool_], cut: Whole
) -> tuple[Whole, Whole, Whole]:
    f = law.formats
    value = shifted(position, f.position.fraction - f.value.fraction, law.rounding)
    if not len(law.sections):
        return memory, value, cut
    after = np.empty_like(memory)
    for n, row in enumerate(law.sections):
        b0, b1, b2, a1, a2 = np.moveaxis(row, -1, 0)
        word = shifted(b0 * value + memory[..., n, 0], law.section_shift, law.rounding)
        cut = cut + f.value.overflows(word)
        out = f.value.saturated(word)
        after[..., n, 0] = b1 * value - a1 * out + memory[..., n, 1]
        after[..., n, 1] = b2 * value - a2 * out
        value = out
    return np.where(seen[..., None, None], after, memory), value, cut


def fixed_hand_over(law: FixedLaw, correction: Whole) -> FixedState:
    """Return the state that takes over from a standing correction (M, 2), in its words."""
    f = law.formats
    n, shape = len(law.conditional), correction.shape
    states = np.zeros((*shape, n), np.int64)
    correction = f.correction.saturated(correction)
    for i in range(n):
        if not law.previous[i]:
            exact = law.standing[..., i] * correction
            word = shifted(exact, int(law.standing_shifts[i]), law.rounding)
            states[..., i] = f.states[i].saturated(word)
    return FixedState(
        states, np.zeros(shape, bool), correction,
        np.zeros((*shape, len(law.sections), 2), np.int64), np.zeros(shape, np.int64),
    )  # fmt: skip
