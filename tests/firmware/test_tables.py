"""Tables of whole-number arithmetic, value by value, each by a second route that is worked here.

Cycles: every start is stepped on in whole numbers. Gains: impulse responses, summed. Reciprocals:
all 2^20 divisors.
"""

import numpy as np
import pytest
from scipy.signal import iirnotch, lfilter

from sim.firmware.limit_cycles import limit_cycles
from sim.firmware.noise_gain import peak_gains, rounding_gain
from sim.firmware.reciprocal import reciprocal_table
from sim.firmware.rounding import Rounding

SECOND = [
    # a1, a2 in hundredths, peaks with two roundings and with one, sum of |h| of 1 / A.
    (-180, 95, {"away": (10, 11), "even": (10, 15), "up": (9, 8), "zero": (5, 0),
                "floor": (20, 11)}, 65.92344),
    (-134, 90, {"away": (5, 7), "even": (5, 4), "up": (4, 4), "zero": (1, 0), "floor": (8, 5)},
     17.19455),
    (-160, 97, {"away": (25, 26), "even": (25, 26), "up": (25, 26), "zero": (2, 0),
                "floor": (31, 19)}, 72.64354),
]  # fmt: skip
SECTIONS = [
    # notch at f0 of quality Q, sampled at fs: gains of rounding with none, one and two remainders
    # fed back; largest output and memories for inputs up to 1.
    (1000, 10, 10e3, (24.495496, 9.3564467, 4.6052709), (2.2331366, 1.2636054, 1.2456852)),
    (50, 20, 10e3, (323128.37, 318.88869, 1.3154900), (2.2717606, 1.2725454, 1.2721164)),
    (300, 2, 2e3, (2.4466369, 2.0170796, 2.9030187), (1.9132504, 1.1068500, 0.9905162)),
    (700, 5, 4e3, (3.5169390, 3.8405642, 5.3043704), (2.0763349, 1.1757594, 1.1210394)),
]  # fmt: skip


ROUNDED = {
    "away": lambda x, d: np.sign(x) * ((2 * np.abs(x) + d) // (2 * d)),
    "even": lambda x, d: (2 * x + d) // (2 * d) - ((2 * x + d) % (4 * d) == 2 * d),
    "up": lambda x, d: (2 * x + d) // (2 * d),
    "zero": lambda x, d: np.sign(x) * (np.abs(x) // d),
    "floor": lambda x, d: x // d,
}
"""A quotient x / d in whole numbers."""


def scanned(a1, a2, d, rule, roundings):
    """Largest output of any cycle that the starts up to 60 either way end in."""
    rounded = ROUNDED[rule]
    y1, y2 = (each.ravel() for each in np.meshgrid(np.arange(-60, 61), np.arange(-60, 61)))
    most = 0
    for step in range(1600):
        if roundings == 1:
            y = rounded(-a1 * y1 - a2 * y2, d)
        else:
            y = rounded(-a1 * y1, d) + rounded(-a2 * y2, d)
        y1, y2 = y, y1
        if step % 50 == 0:
            y1, y2 = np.unique(np.stack([y1, y2]), axis=1)
        if step >= 1000:  # swings of 0.985 a step have died out
            most = max(most, int(np.abs(y1).max()))
    return most


@pytest.mark.parametrize(("a1", "a2", "peaks", "certain"), SECOND)
def test_second_order_cycles_of_every_rounding(a1, a2, peaks, certain):
    for rule, (two, one) in peaks.items():
        for roundings, wanted in ((2, two), (1, one)):
            found = limit_cycles(
                a1, a2, 100, Rounding(rule), start=60, roundings=roundings
            )
            assert found.peak == wanted, (rule, roundings)
            assert scanned(a1, a2, 100, rule, roundings) == wanted, (rule, roundings)
    sums, _, _ = peak_gains((1.0, 0.0, 0.0), a1 / 100, a2 / 100)
    assert sums == pytest.approx(certain, abs=6e-6)
    by_hand = np.abs(lfilter([1.0], [1.0, a1 / 100, a2 / 100], np.eye(1, 4000)[0])).sum()
    assert sums == pytest.approx(by_hand, rel=1e-9)


def test_a_low_resonance_stands_still_up_to_its_bound():
    for rule, two, one in (("away", 313, 166), ("zero", 301, 0), ("floor", 651, 333)):
        for roundings, wanted in ((2, two), (1, one)):
            found = limit_cycles(-1957, 960, 1000, Rounding(rule), start=60, roundings=roundings)
            assert found.peak == wanted, (rule, roundings)
            assert scanned(-1957, 960, 1000, rule, roundings) == wanted, (rule, roundings)
            if rule == "away":
                # What stands still is held by its rounding errors alone, half a unit each:
                # y (1 + a1 + a2) <= 0.5 a rounding, so 166.67 and 333.33 units at most.
                assert found.peak <= 0.5 * roundings / (1.0 - 1.957 + 0.96)


@pytest.mark.parametrize(("f0", "q", "fs", "gains", "peaks"), SECTIONS)
def test_sections_by_the_table(f0, q, fs, gains, peaks):
    b, (_, a1, a2) = iirnotch(f0, q, fs)
    impulse = np.eye(1, 40_000)[0]
    for fed_back, wanted in enumerate(gains):
        # What is fed back makes a rounding error e[n] into e[n] - e[n-1], or that twice over.
        zeros = np.poly(np.ones(fed_back))
        by_hand = (lfilter(zeros, [1.0, a1, a2], impulse) ** 2).sum()
        assert rounding_gain(a1, a2, fed_back) == pytest.approx(by_hand, rel=1e-7)
        assert by_hand == pytest.approx(wanted, rel=2e-7)
    # Memories of the transposed form: s1 = b1 x - a1 y + s2, s2 = b2 x - a2 y.
    y = lfilter(b, [1.0, a1, a2], impulse)
    s2 = b[2] * impulse - a2 * y
    s1 = b[1] * impulse - a1 * y + np.append(0.0, s2[:-1])
    by_hand = [np.abs(each).sum() for each in (y, s1, s2)]
    assert peak_gains(tuple(b), a1, a2) == pytest.approx(by_hand, rel=1e-7)
    assert by_hand == pytest.approx(peaks, rel=2e-7)


@pytest.mark.parametrize(
    ("bits", "word", "wanted"),
    [(6, 40, 7.751938e-3), (8, 40, 1.949318e-3), (10, 40, 4.880429e-4), (8, 10, 2.372742e-3)],
)
def test_reciprocals_by_the_table(bits, word, wanted):
    """Entries of `bits` + 2 bits cost a quarter more than long ones."""
    d = np.arange(1 << 20, 2 << 20)
    r = reciprocal_table(bits, word)[(d >> (20 - bits)) - (1 << bits)] * 2.0**-word
    error = d * 2.0**-20 * r - 1
    assert np.abs(error).max() == pytest.approx(wanted, rel=1e-3)
    if (bits, word) == (8, 40):
        newton = d * 2.0**-20 * r * (2 - d * 2.0**-20 * r) - 1
        assert -newton.min() == pytest.approx(3.799840e-6, rel=1e-3)
        assert newton.max() <= 1e-12  # a Newton step is never above
