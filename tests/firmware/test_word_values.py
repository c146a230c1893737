"""Notches, noise and dead bands of words against the formulas named beside each figure."""

from fractions import Fraction

import numpy as np
import pytest

from controllers.sections import notch_coefficients
from sim.firmware.fixed_law import FixedLaw, Formats
from sim.firmware.law_ranges import ranges_of
from sim.firmware.law_words import fixed_law, rounded_law
from sim.firmware.limit_cycles import limit_cycles
from sim.firmware.noise_gain import rounding_gain
from sim.firmware.q_format import QFormat
from sim.firmware.rounding import Rounding, shifted
from sim.firmware.settings import ControllerArithmetic
from sim.foundations.ports.linear_law import LawMatrices, LinearLaw
from sim.studies.formats.stalls import stalls_of

FS = 10e3


def notch(f0, q):
    """The shipped one."""
    return np.tile(notch_coefficients(f0, q, 0.0, 1 / FS), (1, 1, 2, 1))


def words_of(f0, q):
    """A law with one notch, in words of 16 bits: numbers up to 2 leave 14 behind the point."""
    one = LawMatrices.of(0, D=0.3, H=1.0)
    law = LinearLaw.of(one, LawMatrices.of(0, H=1.0), sections=notch(f0, q))
    ranges = ranges_of(law, position_px=20.0, correction_px=20.0)
    fixed = fixed_law(law, ControllerArithmetic(kind="fixed", coefficient_bits=16), ranges)
    assert fixed.section_shift == 14
    return fixed.sections[0, 0, 0].tolist(), rounded_law(fixed).sections[0, 0, 0]


@pytest.mark.parametrize(
    ("f0", "q", "a1", "a2", "zero_hz", "depth_db"),
    [
        (1000, 10, -25753, 15448, 999.968, -63.42),
        (200, 10, -32307, 16180, 200.087, -41.18),
        (50, 20, -32726, 16358, 49.758, -14.52),
    ],
)
def test_a_notch_in_words_has_moved_and_is_shallow(f0, q, a1, a2, zero_hz, depth_db):
    words, (b0, b1, b2, c1, c2) = words_of(f0, q)
    assert words[3:] == [a1, a2]
    # The bilinear transform, rounded: t = sin(w)/(2 Q), a2 = (1 - t)/(1 + t), a1 = -cos(w)(1 + a2),
    # over which stand (1 + a2)/2, a1, (1 + a2)/2. The zero is where cos(w) = -b1/(2 b0).
    w = 2 * np.pi * f0 / FS
    t = np.sin(w) / (2 * q)
    exact = np.array([1 / (1 + t), -2 * np.cos(w) / (1 + t), (1 - t) / (1 + t)])
    top, middle, last = np.rint(exact * 2**14)
    assert words == [top, middle, top, middle, last]
    moved_hz = np.arccos(-middle / (2 * top)) * FS / (2 * np.pi)
    assert moved_hz == pytest.approx(zero_hz, abs=6e-4)
    zero = np.roots([b0, b1, b2])[0]
    assert abs(np.angle(zero)) * FS / (2 * np.pi) == pytest.approx(moved_hz, abs=1e-6)
    z = np.exp(2j * np.pi * f0 / FS)
    depth = abs((b0 + b1 / z + b2 / z**2) / (1 + c1 / z + c2 / z**2))
    assert 20 * np.log10(depth) == pytest.approx(depth_db, abs=0.006)
    # On the unit circle 1 + a1/z + a2/z^2 is (1 + a2) cos(w) + a1 and j (1 - a2) sin(w).
    above, below = 2 * top * np.cos(w) + middle, (2**14 + last) * np.cos(w) + middle
    by_hand = above / np.hypot(below, (2**14 - last) * np.sin(w))
    assert depth == pytest.approx(abs(by_hand), rel=1e-9)
    # The pole's radius hangs on a2 alone.
    assert abs(np.roots([1, c1, c2])[0]) == pytest.approx(np.sqrt(a2 / 2**14), rel=1e-12)


def test_the_coefficients_of_a_notch_and_its_sharpness_in_words():
    a1, a2 = notch(1000, 10)[0, 0, 0, 3:]
    assert a1 == pytest.approx(-1.571838805, abs=5e-10)
    assert a2 == pytest.approx(0.942899613, abs=5e-10)
    # By the bilinear transform a2 = (1 - t) / (1 + t), t = sin(w) / 2 Q, and a1 = -cos(w) (1 + a2).
    _, (_, _, _, c1, c2) = words_of(50, 20)
    w, t = np.arccos(-c1 / (1 + c2)), (1 - c2) / (1 + c2)
    assert np.sin(w) / (2 * t) == pytest.approx(19.68, abs=0.005)


def test_noise_gain_of_two_poles():
    # (1 + r^2) / ((1 - r^2)(1 + r^4 - 2 r^2 cos 2 theta)), r = 0.95, theta = 45 deg.
    r2 = 0.95**2
    wanted = (1 + r2) / ((1 - r2) * (1 + r2**2 - 2 * r2 * np.cos(np.pi / 2)))
    assert wanted == pytest.approx(10.753791, abs=6e-7)
    assert rounding_gain(-2 * 0.95 * np.cos(np.pi / 4), r2) == pytest.approx(wanted, rel=1e-12)


def test_rounding_to_2_to_the_minus_15():
    # q^2 / 12 = 7.7610e-11; downward the mean is -q / 2 = -1.52588e-5. 400 000 draws: the standard
    # error of a variance is 0.14 % (the error is even over a unit), of the mean 1.4e-8.
    fine = np.random.default_rng(11).integers(-(2**30), 2**30, 400_000)
    exact = fine * 2.0**-31
    nearest = shifted(fine, 16, Rounding.UP) * 2.0**-15 - exact
    assert nearest.var() == pytest.approx(7.7610e-11, rel=0.006)
    down = shifted(fine, 16, Rounding.FLOOR) * 2.0**-15 - exact
    assert down.mean() == pytest.approx(-1.52588e-5, abs=6e-8)


@pytest.mark.parametrize(("a", "band"), [("0.9", 5), ("0.95", 10), ("0.99", 50)])
def test_dead_bands_of_first_order(a, band):
    # 0.5 / (1 - a) units, reached with ties away from zero.
    share = Fraction(a)
    found = limit_cycles(-share.numerator, 0, share.denominator, Rounding.AWAY, start=150)
    assert (found.lowest, found.highest) == (-band, band)


def test_an_integrator_of_a_twentieth_stalls_at_ten_units():
    # abs(e) < 0.5 / K = 10 units, K = 0.05; in 15 bits K is 1638 / 2^15, so 10 itself still stalls.
    word = QFormat(32, 8)
    rows = np.zeros((2, 1, 2, 1, 2), np.int64)
    rows[..., 1] = 1 << 15
    rows[0, ..., 0] = 1638
    law = FixedLaw(
        Formats(word, word, word, (), word), np.zeros((0, 1, 2, 5), np.int64), 0, rows,
        np.array([[15], [15]]), np.zeros(0, bool), np.zeros(0, bool), np.zeros((1, 2, 0), np.int64),
        np.zeros(0, np.int64), Rounding.AWAY,
    )  # fmt: skip
    assert [(s.below, s.above) for s in stalls_of(law)] == [(10, -10), (10, -10)]
