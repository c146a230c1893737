"""Rounding corners of laws, held against rows in exact fractions."""

from fractions import Fraction

import numpy as np
import pytest

from sim.firmware.corners import corners_of, modular_solution
from sim.firmware.fixed_law import FixedState, fixed_step
from sim.firmware.ties import law_of_rows, never_rounds, sites_of
from tests.controllers.test_controller_contract import CASES
from tests.firmware.test_fixed_law import made

LAWS = [("pi", CASES["pi"][1]), ("integrator", CASES["integrator"][1])]


@pytest.mark.parametrize(("kind", "settings"), LAWS, ids=lambda v: v if isinstance(v, str) else "")
def test_steps_at_corners_are_at_them(kind, settings):
    law = law_of_rows(made(kind, settings)[1].law, np.zeros(1, np.int64))
    reached = 0
    for corner in corners_of(law):
        if corner.found is None:
            assert never_rounds(law, corner.site)
            continue
        assert corner.found == corner.wanted, corner.site
        before, given = corner.step
        for i in range(len(before.correction)):
            quotient = longhand(law, corner.site, before, given, i)
            distance = (quotient - (quotient.numerator // quotient.denominator)) - Fraction(1, 2)
            assert distance * 2 ** shift_of(law, corner.site) == corner.wanted
            reached += 1
    assert reached >= 12


def shift_of(law, site):
    if site.stage == "section":
        return law.section_shift
    return int(law.shifts[("seen", "lost").index(site.stage)][site.row])


def longhand(law, site, before, given, i):
    """Return the exact quotient that a site rounds, in fractions; nothing is cut off on the way."""
    part = site.part

    def rounded(q):
        # To the nearest, ties upward, as these laws have it.
        return (2 * q.numerator + q.denominator) // (2 * q.denominator)

    seen = bool(given.seen[i, part])
    mismatch = int(given.reference[i, part] - given.position[i, part]) if seen else 0
    f = law.formats
    value = mismatch << (f.value.fraction - f.position.fraction)
    for number in range(len(law.sections)):
        b0 = int(law.sections[number, 0, part, 0])
        total = Fraction(b0 * value + int(before.filters[i, part, number, 0]))
        total /= 2**law.section_shift
        if site.stage == "section" and site.row == number:
            return total
        value = rounded(total)
    which = 0 if seen else 1
    value = value if seen else 0
    rows, shifts = law.rows[which, 0, part].tolist(), law.shifts[which].tolist()
    x = [int(word) for word in before.states[i, part]]
    last = int(before.correction[i, part])

    def quotient(row, states):
        terms = [value, *states, last]
        total = sum(c * t for c, t in zip(rows[row], terms, strict=True))
        return Fraction(total, 2 ** shifts[row])

    if site.row < len(x):
        return quotient(site.row, x)
    return quotient(site.row, [rounded(quotient(row, x)) for row in range(len(x))])


def test_every_rounding_has_a_place():
    # n states and the correction, seen and lost, both axes; and the sections.
    law = made("integrator", CASES["integrator"][1])[1].law
    n, s = len(law.formats.states), len(law.sections)
    assert len(sites_of(law)) == 2 * (2 * (n + 1) + s)


def test_corners_are_taken_by_the_model_as_its_rule_says():
    # On a tie "up" goes up; less goes down. An integrator has one row: that of its correction.
    law = made("integrator", {"integral_per_frame": 0.3})[1].law
    own = law_of_rows(law, np.zeros(1, np.int64))
    for corner in corners_of(own):
        if corner.step is None or corner.site.stage != "seen" or corner.site.row != 0:
            continue
        before, given = corner.step
        wide = np.full_like(given.highest, law.formats.correction.highest)
        one = FixedState(*(p[:1] for p in before))
        mismatch = (given.reference - given.position)[:1]
        after = fixed_step(own, one, mismatch, given.seen[:1], -wide[:1], wide[:1])
        quotient = longhand(own, corner.site, before, given, 0)
        floor = quotient.numerator // quotient.denominator
        assert after.correction[0, corner.site.part] == floor + (corner.wanted >= 0)


@pytest.mark.parametrize("coefficient", [1, 3, -7, 12, 26214, -40960])
def test_a_row_is_solved_modulo_its_shift(coefficient):
    missing = np.arange(-50, 50) * (coefficient & -coefficient)
    move = modular_solution(coefficient, missing, 20)
    assert ((coefficient * move - missing) % 2**20 == 0).all()
    assert np.abs(move).max() <= 2**19
