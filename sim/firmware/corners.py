"""Steps of a law at its rounding corners: totals on a tie, one unit below and one above.

Found by solving the row for one of its words, modulo the shift; the rest of them is drawn.
"""

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.firmware.controller import FixedInput
from sim.firmware.fixed_law import FixedLaw, FixedState
from sim.firmware.rounding import Whole
from sim.firmware.ties import RoundingSite, never_rounds, roundings, sites_of
from sim.foundations.rng import philox

TRIES: Final = (64, 2048)
"""Steps that are drawn for a corner: the second only where the first do not reach it."""
DRAWN_BITS: Final = 12
"""Words that are drawn stay this short, so that nothing is cut off beside the corner."""
KEY: Final = (2026, 1127)


class LawSteps(NamedTuple):
    """Steps of a law, each from a state that is given."""

    before: FixedState
    given: FixedInput

    def rows(self, which: NDArray[np.int64]) -> "LawSteps":
        """Return some of them."""
        return LawSteps(
            FixedState._make(part[which] for part in self.before),
            FixedInput._make(part[which] for part in self.given),
        )


class RoundingCorner(NamedTuple):
    """A rounding corner, and steps that reach it, or come nearest."""

    site: RoundingSite
    wanted: int
    """Above a tie: 0, or the least by which the total can change, either way."""
    found: int | None
    """Above a tie that is reached; None if this site never rounds."""
    step: LawSteps | None
    """As many as have another sign or another last bit: rules for ties differ in these."""


def corners_of(law: FixedLaw) -> list[RoundingCorner]:
    """Return the corners of every rounding of a law for one mirror."""
    found = []
    for number, site in enumerate(sites_of(law)):
        unit = 0 if never_rounds(law, site) else smallest_change(law, site)
        halves = unit != 0 and 2 * unit == 1 << shift_of(law, site)
        for side in (-1, 0) if halves else (-1, 0, 1):  # half a step above is half a step below
            if unit == 0:
                found.append(RoundingCorner(site, side, None, None))
            else:
                found.append(_searched(law, site, side * unit, 3 * number + side + 1))
    return found


def shift_of(law: FixedLaw, site: RoundingSite) -> int:
    """Return the bits that a site rounds away."""
    if site.stage == "section":
        return law.section_shift
    return int(law.shifts[("seen", "lost").index(site.stage)][site.row])


def smallest_change(law: FixedLaw, site: RoundingSite) -> int:
    """Return the least by which a total can change: the common power of two of its coefficients."""
    if site.stage == "section":
        return 1
    which = ("seen", "lost").index(site.stage)
    row = law.rows[which][0, site.part, site.row, 1 if site.stage == "lost" else 0 :]
    common = int(np.bitwise_or.reduce(row)) | 1 << int(law.shifts[which][site.row])
    return common & -common


def _searched(law: FixedLaw, site: RoundingSite, wanted: int, number: int) -> RoundingCorner:
    """Return the step that comes nearest; few tries where few are enough."""
    met = []
    for tries in TRIES:
        drawn = _drawn(law, site, number, tries)
        for word in _words_of(law, site):
            found, steps = _nearest(law, site, wanted, _towards(law, site, wanted, drawn, word))
            if found == wanted:
                return RoundingCorner(site, wanted, found, steps)
            met.append((found, steps))
    return RoundingCorner(site, wanted, *min(met, key=lambda one: abs(one[0] - wanted)))


def _nearest(
    law: FixedLaw, site: RoundingSite, wanted: int, steps: LawSteps
) -> tuple[int, LawSteps]:
    """Return how far off the nearest steps are, and these, of each sign, even and odd."""
    mismatch = np.where(steps.given.seen, steps.given.reference - steps.given.position, 0)
    rounded = roundings(law, steps.before, mismatch, steps.given.seen)[site]
    off = np.abs(rounded.from_tie - wanted)
    nearest = np.flatnonzero(off == off.min())
    total = rounded.total[nearest]
    odd = (total >> np.int64(rounded.shift)) & 1
    _, first = np.unique(2 * (total < 0) + odd, return_index=True)
    chosen = nearest[first]
    return int(rounded.from_tie[chosen[0]]), steps.rows(chosen)


def _words_of(law: FixedLaw, site: RoundingSite) -> list[int]:
    """Return the columns of a row that it may be solved for: those that are not all zero."""
    if site.stage == "section":
        return [0]
    which = ("seen", "lost").index(site.stage)
    row = law.rows[which][0, site.part, site.row]
    first = 1 if site.stage == "lost" else 0
    return [k for k in range(first, len(row)) if row[k]] or [len(row) - 1]


def _drawn(law: FixedLaw, site: RoundingSite, number: int, tries: int) -> LawSteps:
    """Return steps with words drawn at random, nothing near a limit."""
    f = law.formats
    n, s = len(f.states), len(law.sections)
    width = 2 * (n + 2)
    index = np.arange(tries * width, dtype=np.int64)
    counter = np.zeros((index.size, 4), np.int64)
    counter[:, 0], counter[:, 1] = index, number
    words = philox(counter, KEY)[:, 0].astype(np.int64).reshape(tries, 2, n + 2)
    words = (words & ((1 << DRAWN_BITS) - 1)) - (1 << (DRAWN_BITS - 1))
    seen = np.full((tries, 2), site.stage != "lost")
    memory = np.zeros((tries, 2, s, 2), np.int64)
    reference = f.position.saturated(words[..., 0])
    if s and site.stage != "section":
        memory[..., s - 1, 0] = words[..., 0] << law.section_shift
        reference = np.zeros_like(reference)
    low = np.full((tries, 2), f.correction.lowest)
    before = FixedState(
        words[..., 1:-1], np.ones((tries, 2), bool), words[..., -1], memory,
        np.zeros((tries, 2), np.int64),
    )  # fmt: skip
    given = FixedInput(
        np.zeros_like(reference), seen, np.where(seen, reference, 0), low, -low - 1
    )
    return LawSteps(before, given)


def _towards(
    law: FixedLaw, site: RoundingSite, wanted: int, steps: LawSteps, word: int
) -> LawSteps:
    """Return steps with one word moved so that the total comes to a tie, or beside it."""
    f, part = law.formats, site.part
    mismatch = np.where(steps.given.seen, steps.given.reference - steps.given.position, 0)
    rounded = roundings(law, steps.before, mismatch, steps.given.seen)[site]
    missing = wanted - rounded.from_tie
    if site.stage == "section":
        memory = steps.before.filters.copy()
        memory[:, part, site.row, 0] += missing
        return steps._replace(before=steps.before._replace(filters=memory))
    which = ("seen", "lost").index(site.stage)
    coefficient = int(law.rows[which][0, part, site.row, word])
    move = modular_solution(coefficient, missing, rounded.shift)
    if word == 0:
        return _with_value(law, steps, part, move)
    if word == len(f.states) + 1:
        moved = steps.before.correction.copy()
        moved[:, part] = f.correction.saturated(moved[:, part] + move)
        return steps._replace(before=steps.before._replace(correction=moved))
    states = steps.before.states.copy()
    j = word - 1
    if site.row == len(f.states):
        own = int(law.rows[which][0, part, j, word])
        if own == 0:
            return steps
        move = np.asarray(
            np.rint(np.ldexp(move.astype(float), int(law.shifts[which][j])) / own), np.int64
        )
    states[:, part, j] = f.states[j].saturated(states[:, part, j] + move)
    return steps._replace(before=steps.before._replace(states=states))


def _with_value(law: FixedLaw, steps: LawSteps, part: int, move: Whole) -> LawSteps:
    """Return steps with what comes out of the sections moved."""
    f, s = law.formats, len(law.sections)
    if s:
        memory = steps.before.filters.copy()
        word = (memory[:, part, s - 1, 0] >> law.section_shift) + move
        memory[:, part, s - 1, 0] = f.value.saturated(word) << law.section_shift
        return steps._replace(before=steps.before._replace(filters=memory))
    reference = steps.given.reference.copy()
    reference[:, part] = f.position.saturated(reference[:, part] + move)
    return steps._replace(given=steps.given._replace(reference=reference))


def modular_solution(coefficient: int, missing: Whole, shift: int) -> Whole:
    """Return the smallest m with coefficient m = missing, modulo 2^shift.

    Where a common factor of two forbids it, that of what is left of it.
    """
    if coefficient == 0:
        return np.zeros_like(missing)
    twos = (coefficient & -coefficient).bit_length() - 1
    bits = max(shift - twos, 1)
    mask = np.uint64((1 << bits) - 1)
    inverse = np.uint64(pow(coefficient >> twos, -1, 1 << bits))
    rest = (missing >> np.int64(twos)).astype(np.uint64)
    with np.errstate(over="ignore"):
        found = (rest * inverse) & mask
    signed = found.astype(np.int64)
    return np.where(signed >= 1 << (bits - 1), signed - (1 << bits), signed)
