"""Limit cycles and noise of recursions in whole numbers, against published bounds and runs."""

from fractions import Fraction

import numpy as np
import pytest
from scipy.signal import iirnotch, lfilter

from sim.firmware.limit_cycles import limit_cycles
from sim.firmware.noise_gain import peak_gains, power_gain, rounding_gain
from sim.firmware.rounding import Rounding

FIRST = [
    # a of y[n] = Q(a y[n-1]), cycles with ties away, even, up, down and to zero.
    (Fraction(9, 10), (-5, 5), (-4, 4), (-4, 5), (-9, 0), (0, 0)),
    (Fraction(99, 100), (-50, 50), (-50, 50), (-49, 50), (-99, 0), (0, 0)),
    (Fraction(19, 20), (-10, 10), (-10, 10), (-9, 10), (-19, 0), (0, 0)),
    (Fraction(-9, 10), (-5, 5), (-4, 4), (-4, 4), (0, 0), (0, 0)),
    (Fraction(-19, 20), (-10, 10), (-10, 10), (-9, 9), (0, 0), (0, 0)),
    (Fraction(-99, 100), (-50, 50), (-50, 50), (-49, 49), (0, 0), (0, 0)),
]


@pytest.mark.parametrize(("a", "away", "even", "up", "floor", "zero"), FIRST)
def test_first_order_cycles_keep_the_dead_band_of_jackson(a, away, even, up, floor, zero):
    # L. B. Jackson, "An analysis of limit cycles due to multiplication rounding in recursive
    # digital filters", 1969 (from memory): nearest rounding stays within 0.5 / (1 - |a|) units.
    # The integers: solved by hand from |y - a y| <= 1/2 and the rule for the tie.
    for rounding, wanted in zip(
        ("away", "even", "up", "floor", "zero"), (away, even, up, floor, zero), strict=True
    ):
        found = limit_cycles(-a.numerator, 0, a.denominator, Rounding(rounding), start=150)
        assert (found.lowest, found.highest) == wanted, rounding
        if rounding in ("away", "even", "up"):
            assert found.peak <= Fraction(1, 2) / (1 - abs(a))
        assert found.rests_only == (wanted == (0, 0))


@pytest.mark.parametrize(
    ("a", "away", "even", "up", "floor", "zero"), [row for row in FIRST if abs(row[0]) < 0.98]
)
def test_two_frames_apart_the_dead_band_is_that_of_the_first_order(a, away, even, up, floor, zero):
    """y[n] = Q(a y[n-2]) is two recursions of the first order that take turns.

    So Jackson's 0.5 / (1 - |a2|) for a section (1969, from memory) is his figure of the first
    order there, and a bound.
    """
    for rounding, wanted in zip(
        ("away", "even", "up", "floor", "zero"), (away, even, up, floor, zero), strict=True
    ):
        found = limit_cycles(0, -a.numerator, a.denominator, Rounding(rounding), start=25)
        assert (found.lowest, found.highest) == wanted, rounding


@pytest.mark.parametrize("rule", ["away", "even", "zero"])
@pytest.mark.parametrize(("a1", "a2"), [(-180, 95), (-134, 90), (-160, 97)])
def test_at_the_other_end_of_the_band_cycles_change_sign_and_keep_their_size(rule, a1, a2):
    """(-1)^n y solves the recursion with -a1, if the rule for ties treats both signs alike."""
    for roundings in (1, 2):
        low, high = (
            limit_cycles(a, a2, 100, Rounding(rule), start=40, roundings=roundings)
            for a in (a1, -a1)
        )
        assert low.peak == high.peak


def walked(a1: int, a2: int, den: int, start: int, two: bool) -> int:
    """Largest output on a cycle with ties up, by following every start until a state recurs."""
    up = lambda n: (2 * n + den) // (2 * den)  # noqa: E731
    peak, known = 0, set()
    for first in range(-start, start + 1):
        for second in range(-start, start + 1):
            path, state = [], (first, second)
            seen: set = set()
            while state not in seen and state not in known:
                seen.add(state)
                path.append(state)
                y1, y2 = state
                new = up(-a1 * y1) + up(-a2 * y2) if two else up(-a1 * y1 - a2 * y2)
                state = (new, y1)
            if state in seen:
                peak = max(peak, *(abs(y) for y, _ in path[path.index(state) :]))
            known |= seen
    return peak


@pytest.mark.parametrize(
    ("a1", "a2", "two", "one"), [(-180, 95, 9, 8), (-134, 90, 4, 4)], ids=["-1.8", "-1.34"]
)
def test_second_order_cycles_are_those_that_a_walk_finds(a1, a2, two, one):
    assert limit_cycles(a1, a2, 100, Rounding.UP, start=60, roundings=2).peak == two
    assert limit_cycles(a1, a2, 100, Rounding.UP, start=60, roundings=1).peak == one
    assert walked(a1, a2, 100, 60, True) == two
    assert walked(a1, a2, 100, 60, False) == one
    # Jackson's estimate, 0.5 / (1 - a2), holds here: 10 and 5 units.
    assert two <= 0.5 / (1 - a2 / 100)


def test_jacksons_second_order_figure_is_an_estimate_no_bound():
    # 0.5 / (1 - 0.97) = 16.7 units, and yet a cycle of 25 exists.
    found = limit_cycles(-160, 97, 100, Rounding.AWAY, start=60, roundings=2)
    assert found.peak == 25 > 0.5 / (1 - 0.97)
    # What is certain: half a unit a rounding through the sum of magnitudes of 1 / A.
    certain, _, _ = peak_gains((1.0, 0.0, 0.0), -1.6, 0.97)
    assert found.peak <= 0.5 * 2 * certain
    assert certain == pytest.approx(72.64354, abs=1e-4)


def test_a_low_resonance_can_stand_still_far_out():
    one = limit_cycles(-1957, 960, 1000, Rounding.AWAY, start=40)
    # Its rounding error alone holds it, half a unit: y (1 + a1 + a2) <= 0.5.
    assert 100 < one.peak <= 0.5 / (1.0 - 1.957 + 0.96) + 1e-9


def test_an_unstable_recursion_is_refused():
    with pytest.raises(ValueError, match="unstable"):
        limit_cycles(-220, 105, 100, Rounding.UP, start=3)


@pytest.mark.parametrize(
    ("f0", "q", "fs"), [(1000, 10, 10e3), (50, 20, 10e3), (300, 2, 2e3), (700, 5, 4e3)]
)
def test_gains_of_rounding_noise_are_sums_of_squares(f0, q, fs):
    b, (_, a1, a2) = iirnotch(f0, q, fs)
    pulse = np.zeros(200_000)
    pulse[0] = 1.0
    for fed_back, error in enumerate(([1.0], [1.0, -1.0], [1.0, -2.0, 1.0])):
        h = lfilter(error, [1, a1, a2], pulse)
        assert rounding_gain(a1, a2, fed_back) == pytest.approx((h**2).sum(), rel=1e-8)
    h = lfilter(b, [1, a1, a2], pulse)
    assert power_gain(tuple(b), a1, a2) == pytest.approx((h**2).sum(), rel=1e-9)
    assert peak_gains(tuple(b), a1, a2)[0] == pytest.approx(np.abs(h).sum(), rel=1e-9)


def test_a_rounded_section_is_as_noisy_as_its_gain_says():
    # Widrow & Kollar (from memory): a rounding error has the variance 1/12 of a unit squared.
    b, (_, a1, a2) = iirnotch(1000, 10, 10e3)
    rng = np.random.default_rng(3)
    x = np.round(rng.normal(0, 2000, 40_000))
    exact = lfilter(b, [1, a1, a2], x)
    s1 = s2 = 0.0
    errors = np.empty(x.size)
    for n, value in enumerate(x):
        y = np.rint(b[0] * value + s1)
        s1, s2 = b[1] * value - a1 * y + s2, b[2] * value - a2 * y
        errors[n] = y - exact[n]
    assert 12 * errors[500:].var() == pytest.approx(rounding_gain(a1, a2), rel=0.08)


def test_the_largest_words_are_reached_by_the_worst_input():
    b, (_, a1, a2) = iirnotch(1000, 10, 10e3)
    bound = peak_gains(tuple(b), a1, a2)
    assert bound == pytest.approx((2.2331366, 1.2636054, 1.2456852), abs=1e-6)
    pulse = np.zeros(4000)
    pulse[0] = 1.0
    h = lfilter(b, [1, a1, a2], pulse)
    y = lfilter(b, [1, a1, a2], np.sign(h[::-1]))
    assert y[-1] == pytest.approx(bound[0], rel=1e-9)


@pytest.mark.parametrize("call", [lambda: rounding_gain(-2.0, 1.0), lambda: rounding_gain(0, 0, 3),
                                  lambda: peak_gains((1, 0, 0), 0, 1.2)])  # fmt: skip
def test_sections_without_a_gain_are_refused(call):
    with pytest.raises(ValueError, match="must be"):
        call()
