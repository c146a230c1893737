"""A control law in whole numbers: the same law, with words in place of real numbers.

Lengths are in pixels of the camera times a power of two: what the spots' positions come in. Each
row of the law is a sum of exact products, rounded once by a shift, and cut off at its word.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.firmware.noise_gain import peak_gains
from sim.firmware.q_format import QFormat, holding
from sim.firmware.rounding import Rounding, Whole, shifted
from sim.firmware.settings import ControllerArithmetic
from sim.ports import Array
from sim.ports.linear_law import LawMatrices, LinearLaw

SUM_BITS = 63
"""A sum of products must fit so many bits, sign included: one is left to round with."""
MOST_SHIFT = 40
"""More would only make coefficients that are all zero longer."""

COEFFICIENT_SPARE = 8
"""Bits of a coefficient that are not spent on states being finer than what comes in."""
COASTING = 2.0
"""Room for states that go on by themselves while their spot is lost, over those of a seen one."""


class Ranges(NamedTuple):
    """How far the numbers of a law can go. [px]"""

    position: float
    """Positions and references, either way."""
    correction: float
    """The correction that the drive can carry out, either way."""
    states: tuple[float, ...]
    """Each state, either way."""
    certain: tuple[bool, ...]
    """Whether no input whatever takes the state beyond."""
    filters: float
    """What comes out of the filter sections, and their memories."""


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


def ranges_of(law: LinearLaw, *, position_px: float, correction_px: float) -> Ranges:
    """Work out how far each number of a law can go.

    Parameters
    ----------
    law : LinearLaw
        The law.
    position_px, correction_px : float
        Largest position and correction. [px]

    Returns
    -------
    Ranges

    Notes
    -----
    Sections: the largest output is the sum of the magnitudes of the impulse response times the
    largest input. States that conditional integration keeps within the limits stay within twice
    the correction (limits move with the path); the last mismatch is a mismatch. The others obey
    x' = A x + inputs, all of them bounded. With |A| and |inputs| element by element the bound
    r = |A| r + inputs holds in whatever order readings come and go, if |A| shrinks. If it does not,
    `COASTING` times the bound of a spot that is always seen is taken, which is not certain where
    spots are lost and found; words are cut off there, and that is counted.
    """
    correction = 2.0 * correction_px
    mismatch = filters = 2.0 * position_px
    for section in law.sections:
        output, first, second = _section_gains(section)
        filters = max(filters, mismatch * max(output, first, second))
        mismatch *= output
        filters = max(filters, mismatch)
    n = len(law.conditional)
    fixed = law.conditional | law.previous
    given = np.where(law.conditional, correction, mismatch)
    free = np.flatnonzero(~fixed)
    size = np.where(fixed, given, 0.0)
    certain = np.ones(n, bool)
    if free.size:
        bound, sure = _free_bound(law, free, fixed, given, mismatch, correction)
        size[free], certain[free] = bound, sure
    return Ranges(
        position_px, correction, tuple(map(float, size)), tuple(map(bool, certain)), float(filters)
    )


def _free_bound(
    law: LinearLaw, free: NDArray[np.intp], fixed: NDArray[np.bool_], given: Array,
    mismatch: float, correction: float,
) -> tuple[Array, bool]:  # fmt: skip
    worst_a = np.zeros((free.size, free.size))
    worst_in = np.zeros(free.size)
    steady = np.zeros(free.size)
    for part, seen in ((law.seen, True), (law.lost, False)):
        lead = np.broadcast_shapes(*(m.shape[:2] for m in part))
        a = np.broadcast_to(part.A, (*lead, *part.A.shape[-2:]))[..., free, :]
        drive = np.abs(part.G[..., free]) * correction
        drive = drive + np.abs(a[..., fixed]) @ given[fixed]
        if seen:
            drive = drive + np.abs(part.B[..., free]) * mismatch
        inner = a[..., free]
        if not drive.any() and (inner == np.eye(free.size)).all():
            continue  # what stands still goes nowhere
        worst_a = np.maximum(worst_a, np.abs(inner).max(axis=(0, 1)))
        worst_in = np.maximum(worst_in, drive.max(axis=(0, 1)))
        if seen:
            for own in inner.reshape(-1, free.size, free.size):
                steady = np.maximum(steady, _steady_bound(own, worst_in))
    if np.abs(np.linalg.eigvals(worst_a)).max() < 1 - 1e-9:
        bound = np.linalg.solve(np.eye(free.size) - worst_a, worst_in).astype(np.float64)
        return bound, True
    return COASTING * steady, False


def _steady_bound(a: Array, inputs: Array) -> Array:
    """Sum over k of |A^k| times the inputs; not finite for a law that is not stable by itself."""
    radius = np.abs(np.linalg.eigvals(a)).max()
    if radius >= 1 - 1e-6:
        return np.full(len(a), np.inf)
    total, power = np.zeros(len(a)), np.eye(len(a))
    for _ in range(int(40 / (1 - radius)) + 64):
        total += np.abs(power) @ inputs
        power = power @ a
    return total


def _section_gains(section: Array) -> tuple[float, float, float]:
    gains = [
        peak_gains((b0, b1, b2), a1, a2) for b0, b1, b2, a1, a2 in section.reshape(-1, 5).tolist()
    ]
    return max(g[0] for g in gains), max(g[1] for g in gains), max(g[2] for g in gains)


def fixed_law(law: LinearLaw, arithmetic: ControllerArithmetic, ranges: Ranges) -> FixedLaw:
    """Put a law into whole numbers.

    Parameters
    ----------
    law : LinearLaw
        The law.
    arithmetic : ControllerArithmetic
        Word lengths and rounding.
    ranges : Ranges
        What the words must hold, see `ranges_of`.

    Returns
    -------
    FixedLaw

    Raises
    ------
    ValueError
        If a number of the law has no bound, or a sum of products could leave its word; the message
        says which, and by how much.
    """
    a = arithmetic
    if not np.isfinite([*ranges.states, ranges.filters]).all():
        raise ValueError("a state of the law grows without a bound, so no word holds it")
    position = QFormat(_bits_for(2.0 * ranges.position, a.position_fraction), a.position_fraction)
    if position.bits > a.state_bits:
        raise ValueError(
            f"state_bits: a mismatch of +-{2 * ranges.position:.4g} px with {a.position_fraction} "
            f"bits behind the point takes {position.bits} bits (got {a.state_bits})"
        )
    has_sections = len(law.sections) > 0
    value = _finest(ranges.filters, a, position) if has_sections else position
    section_shift = a.coefficient_bits - 2
    if has_sections and np.abs(law.sections).max() >= 2:
        section_shift -= int(np.frexp(np.abs(law.sections).max())[1]) - 1
    memory = QFormat(value.bits + section_shift, value.fraction + section_shift)
    scale = float(1 << section_shift)
    sections = np.rint(law.sections * scale).astype(np.int64)
    states = tuple(
        value if previous else _finest(max(size, 1e-30), a, position)
        for size, previous in zip(ranges.states, law.previous, strict=True)
    )
    correction = _finest(ranges.correction, a, position)
    formats = Formats(position, value, memory, states, correction)
    columns = np.array([value.fraction, *(f.fraction for f in states), correction.fraction])
    targets = np.array([*(f.fraction for f in states), correction.fraction])
    both = [_whole(part, columns, targets, a.coefficient_bits) for part in (law.seen, law.lost)]
    at_rest = np.ldexp(law.standing, targets[:-1] - correction.fraction)
    standing, standing_shifts = _words_of(at_rest, a.coefficient_bits)
    m = max(len(rows) for rows, _ in both)
    rows = np.stack([np.broadcast_to(r, (m, *r.shape[1:])) for r, _ in both])
    found = FixedLaw(
        formats, sections, section_shift, rows, np.stack([s for _, s in both]),
        law.conditional, law.previous, standing, standing_shifts, Rounding(a.rounding),
    )  # fmt: skip
    _check_kept(found, law)
    for name, bits in sum_bits(found).items():
        if bits > SUM_BITS:
            raise ValueError(
                f"coefficient_bits and state_bits: the sum of products for {name} takes {bits} "
                f"bits, and {SUM_BITS} are there"
            )
    return found


def _check_kept(found: FixedLaw, law: LinearLaw) -> None:
    """Refuse words in which a state that is to stand still would not.

    Raises
    ------
    ValueError
        If a coefficient of 1, which keeps a state or the correction, is not exactly 1 any more.
    """
    rounded = rounded_law(found)
    for name in ("seen", "lost"):
        exact, now = getattr(law, name), getattr(rounded, name)
        for key in ("A", "C", "H"):
            before, after = np.broadcast_arrays(getattr(exact, key), getattr(now, key))
            if ((before == 1.0) & (after != 1.0)).any():
                raise ValueError(
                    f"coefficient_bits: a coefficient of 1 ({name}.{key}) would become "
                    f"{after[(before == 1.0) & (after != 1.0)][0]:g} beside larger ones in its "
                    "row, so that what is to be kept would not be; take more coefficient_bits, or "
                    "fewer state_bits"
                )


def sum_bits(law: FixedLaw) -> dict[str, int]:
    """Return how many bits, sign included, each sum of products can take with any words in it.

    Proven, not measured: the sum of coefficients' magnitudes times the largest words.
    """
    f = law.formats
    words = np.array([f.value.lowest, *(s.lowest for s in f.states), f.correction.lowest])
    top = np.abs(words).astype(object)
    found = {}
    for i in range(law.rows.shape[-2]):
        largest = 0
        for rows in law.rows.reshape(-1, *law.rows.shape[-2:]).astype(object):
            largest = max(largest, sum(abs(rows[i]) * top))
        name = "the correction" if i == law.rows.shape[-2] - 1 else f"state {i}"
        found[name] = int(largest).bit_length() + 1
    for n, section in enumerate(law.sections.astype(object)):
        most = 0
        for b0, _, _, a1, a2 in section.reshape(-1, 5):
            # The output is a word; the memories are bounded by what feeds them.
            word = -f.value.lowest
            second = (abs(a2) + abs(section.reshape(-1, 5)[:, 2]).max()) * word
            first = (abs(a1) + abs(section.reshape(-1, 5)[:, 1]).max()) * word + second
            most = max(most, abs(b0) * word + first)
        found[f"section {n}"] = int(most).bit_length() + 1
    return found


def _bits_for(largest: float, fraction: int) -> int:
    return int(np.ceil(np.ldexp(largest, fraction))).bit_length() + 1


def _finest(largest: float, arithmetic: ControllerArithmetic, position: QFormat) -> QFormat:
    """Return the finest word for a number that is no finer than coefficients can bridge.

    A state that is 2^n times as fine as the mismatch has coefficients of that size beside those of
    other states, in one row with one shift.
    """
    form = holding(largest, arithmetic.state_bits)
    most = position.fraction + max(0, arithmetic.coefficient_bits - COEFFICIENT_SPARE)
    return QFormat(form.bits, min(form.fraction, most))


def _whole(
    part: LawMatrices, columns: NDArray[np.int64], targets: NDArray[np.int64], bits: int
) -> tuple[Whole, NDArray[np.int64]]:
    """Return coefficients (1 or M, 2, n + 1, n + 2) and a shift for each row."""
    n = part.B.shape[-1]
    rows = np.empty((max(len(each) for each in part), 2, n + 1, n + 2))
    rows[..., :n, 0], rows[..., :n, 1:-1], rows[..., :n, -1] = part.B, part.A, part.G
    rows[..., n, 0], rows[..., n, 1:-1], rows[..., n, -1] = part.D, part.C, part.H
    rows = np.ldexp(rows, targets[:, None] - columns[None, :])
    words, shifts = _words_of(np.moveaxis(rows, -2, -1), bits)
    return np.ascontiguousarray(np.moveaxis(words, -1, -2)), shifts


def _words_of(numbers: Array, bits: int) -> tuple[Whole, NDArray[np.int64]]:
    """Return words of numbers (..., k), and the shift (k,) that is the same for all of a column."""
    shifts = np.zeros(numbers.shape[-1], np.int64)
    for i in range(len(shifts)):
        largest = float(np.abs(numbers[..., i]).max())
        if largest > 0:
            shifts[i] = min(holding(largest, bits).fraction, MOST_SHIFT)
    return np.rint(np.ldexp(numbers, shifts)).astype(np.int64), shifts


def fixed_step(
    law: FixedLaw, state: FixedState, mismatch: Whole, seen: NDArray[np.bool_], lowest: Whole,
    highest: Whole,
) -> FixedState:  # fmt: skip
    """Return the state after a frame, as `sim.ports.linear_law.law_step` does, in words.

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


def rounded_law(law: FixedLaw) -> LinearLaw:
    """Return the law that the coefficients stand for, without the rounding of its words. [px]

    For the linear analysis: what coefficients alone have done to poles and zeros.
    """
    f = law.formats
    columns = np.array([f.value.fraction, *(s.fraction for s in f.states), f.correction.fraction])
    targets = np.array([*(s.fraction for s in f.states), f.correction.fraction])
    n = len(f.states)
    standing = np.ldexp(law.standing.astype(float), -law.standing_shifts)
    standing = np.ldexp(standing, f.correction.fraction - targets[:-1])
    parts = []
    for which in (0, 1):
        rows = np.ldexp(law.rows[which].astype(float), -law.shifts[which][:, None])
        rows = np.ldexp(rows, columns[None, :] - targets[:, None])
        parts.append(
            LawMatrices.of(
                n, A=rows[..., :n, 1:-1], B=rows[..., :n, 0], G=rows[..., :n, -1],
                C=rows[..., n, 1:-1], D=rows[..., n, 0], H=rows[..., n, -1],
            )
        )  # fmt: skip
    return LinearLaw.of(
        *parts, sections=np.ldexp(law.sections.astype(float), -law.section_shift),
        conditional=law.conditional, previous=law.previous, standing=standing,
    )  # fmt: skip
