"""Rounding, words, division and roots in whole numbers, against exact rational arithmetic."""

import math
from fractions import Fraction

import numpy as np
import pytest

from sim.firmware.q_format import QFormat, holding
from sim.firmware.reciprocal import quotient, reciprocal_table, square_root
from sim.firmware.rounding import Rounding, divided, shifted


def exact(value: Fraction, rounding: Rounding) -> int:
    """Each rule as its name says it, in exact fractions; `round` of a Fraction ties to even."""
    if rounding is Rounding.FLOOR:
        return math.floor(value)
    if rounding is Rounding.ZERO:
        return math.trunc(value)
    if rounding is Rounding.EVEN:
        return round(value)
    if rounding is Rounding.UP:
        return math.floor(value + Fraction(1, 2))
    size = math.floor(abs(value) + Fraction(1, 2))
    return size if value > 0 else -size


@pytest.mark.parametrize("rounding", list(Rounding))
@pytest.mark.parametrize("denominator", [1, 2, 3, 4, 7, 10, 16, 24])
def test_quotients_are_those_of_exact_fractions(rounding, denominator):
    numerators = np.arange(-60, 61)
    got = divided(numerators, denominator, rounding)
    assert got.tolist() == [exact(Fraction(int(n), denominator), rounding) for n in numerators]


@pytest.mark.parametrize("rounding", list(Rounding))
def test_shifts_are_those_of_exact_fractions_up_to_long_words(rounding):
    rng = np.random.default_rng(5)
    values = rng.integers(-(2**61), 2**61, 200)
    for bits in (0, 1, 5, 31, 60):
        wanted = [exact(Fraction(int(v), 2**bits), rounding) for v in values]
        assert shifted(values, bits, rounding).tolist() == wanted
    assert shifted([3, -5], -4, rounding).tolist() == [48, -80]


def test_a_denominator_must_be_above_zero():
    with pytest.raises(ValueError, match="above zero"):
        divided([1], [0], Rounding.UP)


def test_words_hold_what_twos_complement_holds():
    # Exact: a word of n bits is -2^(n-1) to 2^(n-1) - 1.
    form = QFormat(16, 15)
    assert (form.lowest, form.highest, form.words) == (-32768, 32767, "Q0.15")
    assert form.nearest([1.0, -1.0, 0.5, 2.0**-16, 3 * 2.0**-16]).tolist() == [
        32767, -32768, 16384, 0, 2,
    ]  # fmt: skip
    assert form.saturated([40000, -40000, 7]).tolist() == [32767, -32768, 7]
    assert form.overflows([32767, 32768, -32768, -32769]).tolist() == [False, True, False, True]


@pytest.mark.parametrize("largest", [1.0, 0.999, 1.5, 2.0, 1e-4, 300.0, 32767 / 32768, 0.99999999])
def test_the_format_that_holds_a_value_is_the_finest_that_does(largest):
    form = holding(largest, 16)
    assert abs(round(Fraction(largest) * Fraction(2) ** form.fraction)) <= form.highest
    assert round(Fraction(largest) * Fraction(2) ** (form.fraction + 1)) > form.highest


@pytest.mark.parametrize(("largest", "bits"), [(0.0, 16), (np.inf, 16), (1.0, 1), (1.0, 63)])
def test_what_no_format_holds_is_refused(largest, bits):
    with pytest.raises(ValueError, match="must be"):
        holding(largest, bits)


@pytest.mark.parametrize("bits", [6, 8, 10])
def test_reciprocals_err_by_the_bound_of_interval_centres(bits):
    # Derivation: |d r - 1| is largest at an interval's ends, d = c (1 +- h / c) with half width
    # h = 2^-(k+1) and c >= 1 + h, so 2^-(k+1) / (1 + 2^-(k+1)) = 1 / (2^(k+1) + 1).
    long = 40
    table = reciprocal_table(bits, long)
    d = np.arange(1 << 20, 2 << 20)
    worst = np.abs(d * 2.0**-20 * table[(d >> (20 - bits)) - (1 << bits)] * 2.0**-long - 1).max()
    assert worst == pytest.approx(1 / (2 ** (bits + 1) + 1), rel=1e-4)


def test_entries_of_the_table_are_the_nearest_ones():
    table = reciprocal_table(5, 7)
    for i, entry in enumerate(table.tolist()):
        centre = 1 + Fraction(2 * i + 1, 64)
        assert abs(entry - 128 / centre) <= Fraction(1, 2)


def test_roots_and_quotients_are_those_of_whole_python_numbers():
    rng = np.random.default_rng(6)
    squares = np.arange(2000) ** 2
    long = rng.integers(0, 2**62, 500)
    values = np.concatenate([squares, squares[1:] - 1, squares + 1, long, [2**62 - 1]])
    assert square_root(values).tolist() == [math.isqrt(int(v)) for v in values]
    d = rng.integers(1, 2**30, 500)
    n = rng.integers(0, 2**16, 500) * d + rng.integers(0, d)
    assert quotient(n, d, 16).tolist() == (n // d).tolist()
    with pytest.raises(ValueError, match="quotient"):
        quotient([16], [1], 4)
    with pytest.raises(ValueError, match="values"):
        square_root([-1])


def test_a_centroid_rounded_down_is_half_a_unit_low():
    # Widrow & Kollar, Quantization Noise, 2008 (from memory): an error of rounding down is even
    # over one unit, so its mean is -1/2 and its deviation 1/sqrt(12) of a unit.
    rng = np.random.default_rng(7)
    light = rng.integers(20_000, 40_000, 20_000)
    position = rng.integers(4 * light, 20 * light)
    for bits in (3, 4, 8):
        errors = divided(position << bits, light, Rounding.FLOOR) - (position / light) * 2.0**bits
        assert errors.mean() == pytest.approx(-0.5, abs=5 / np.sqrt(12 * errors.size))
        assert errors.std() == pytest.approx(1 / np.sqrt(12), rel=0.02)
        nearest = divided(position << bits, light, Rounding.UP) - position / light * 2.0**bits
        assert abs(nearest.mean()) < 5 / np.sqrt(12 * errors.size)
