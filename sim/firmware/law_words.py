"""From a control law to words: formats, coefficients and shifts, and what they stand for."""

import numpy as np
from numpy.typing import NDArray

from sim.firmware.fixed_law import FixedLaw, Formats
from sim.firmware.law_ranges import Ranges
from sim.firmware.q_format import QFormat, holding
from sim.firmware.rounding import Rounding, Whole
from sim.firmware.settings import ControllerArithmetic
from sim.foundations.files.text import counted
from sim.foundations.ports import Array
from sim.foundations.ports.linear_law import LawMatrices, LinearLaw

SUM_BITS = 63
"""A sum of products must fit so many bits, sign included: one is left to round with."""
MOST_SHIFT = 40
"""More would only make coefficients that are all zero longer."""

COEFFICIENT_SPARE = 8
"""Bits of a coefficient that are not spent on states being finer than what comes in."""


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
            f"state_bits: a mismatch of +-{2 * ranges.position:.4g} px with "
            f"{counted(a.position_fraction, 'bit')} behind the point takes {position.bits} bits "
            f"(got {a.state_bits})"
        )
    has_sections = len(law.sections) > 0
    # A model of the last correction makes its integral of several coefficients: they need all their
    # bits, so the mismatch is shifted up to the states instead of being multiplied up to them.
    exact_sum = law.seen.G.any()
    value = _finest(ranges.filters, a, position) if has_sections or exact_sum else position
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
