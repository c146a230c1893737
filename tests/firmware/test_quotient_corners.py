"""Corners of quotients, found by solving: seen again with fractions, for every way to divide."""

from fractions import Fraction
from math import floor, gcd

import numpy as np
import pytest

from sim.firmware.quotient_corners import corner_quotients, sides_of
from sim.firmware.settings import EstimatorArithmetic
from sim.firmware.spot_ties import sums_of, tie_windows
from sim.firmware.spots.division import divider_of, quotient_words, reciprocal_words
from sim.firmware.spots.estimator import FixedEstimator
from sim.foundations.ports import SpotStatus
from tests.firmware.made_firmware import small

DIVISIONS = (
    {"division": "divider"}, {"division": "shift_subtract"}, {"division": "reciprocal"},
    {"division": "reciprocal", "newton_steps": 1}, {"division": "reciprocal", "newton_steps": 2},
)  # fmt: skip


def exactly(n, d, shift, divider):
    """The quotient before it is rounded, and the least that it can change by; in fractions."""
    if not divider.by_reciprocal:
        return Fraction(n << shift, d), Fraction(gcd(1 << shift, d), d)
    r = int(reciprocal_words(np.array([d]), divider)[0])
    right = divider.word_bits + d.bit_length() - 1 - shift
    one = Fraction(2) ** -right
    return n * r * one, gcd(r, 1 << max(right, 0)) * one


@pytest.mark.parametrize("asked", DIVISIONS, ids=lambda a: "-".join(map(str, a.values())))
@pytest.mark.parametrize("shift", [0, 4, 7, 16])
def test_every_corner_is_reached_and_is_one(asked, shift):
    divider = divider_of(EstimatorArithmetic(kind="fixed", **asked))
    rows = corner_quotients(divider, (shift,), 44)
    side = sides_of(rows.numerator, rows.denominator, shift, divider)
    met = set()
    for n, d, wanted in zip(rows.numerator.tolist(), rows.denominator.tolist(), side.tolist(),
                            strict=True):  # fmt: skip
        quotient, step = exactly(n, d, shift, divider)
        off = quotient - floor(quotient) - Fraction(1, 2)
        assert abs(off) <= step and (off > 0) - (off < 0) == wanted
        met.add((wanted, n > 0, floor(quotient) % 2))
    ties = shift > 0 or divider.by_reciprocal or (rows.denominator % 2 == 0).any()
    sides = (-1, 0, 1) if ties else (-1, 1)
    assert met == {(s, positive, odd) for s in sides for positive in (True, False)
                   for odd in (0, 1)}  # fmt: skip


@pytest.mark.parametrize("asked", DIVISIONS, ids=lambda a: "-".join(map(str, a.values())))
def test_rules_for_ties_differ_on_these_rows(asked):
    base = divider_of(EstimatorArithmetic(kind="fixed", **asked))
    rows = corner_quotients(base, (7,), 44)
    found = {}
    for rule in ("up", "away", "even", "floor", "zero"):
        other = divider_of(EstimatorArithmetic(kind="fixed", rounding=rule, **asked))
        found[rule] = tuple(quotient_words(rows.numerator, rows.denominator, 7, other).tolist())
    assert len(set(found.values())) == 5


@pytest.mark.parametrize("asked", DIVISIONS[1:4], ids=lambda a: "-".join(map(str, a.values())))
def test_windows_of_the_thresholded_centroid_come_to_every_corner(asked):
    words = ",".join(f'{k}="{v}"' if isinstance(v, str) else f"{k}={v}" for k, v in asked.items())
    built = small(f'estimator.arithmetic={{kind="fixed",{words}}}')
    estimator = built.parts.measurement.estimator
    assert isinstance(estimator, FixedEstimator)
    own = estimator.words
    made = tie_windows(own, 2**built.resolved.camera.bits - 1)
    pixels = np.stack([window for _, _, window in made])
    found = estimator.read(pixels)
    assert (found.status == SpotStatus.OK).all()
    light, moments = sums_of(pixels, own)
    for i, (part, side, window) in enumerate(made):
        # The sums by hand, about the middle in half pixels.
        above = np.maximum(window - own.threshold_dn, 0)
        at = 2 * np.arange(window.shape[1 - part]) - (window.shape[1 - part] - 1)
        assert moments[i, part] == (above.sum(axis=part) * at).sum()
        quotient, step = exactly(int(moments[i, part]), int(light[i]), 7, own.divider)
        off = quotient - floor(quotient) - Fraction(1, 2)
        assert abs(off) <= step and (off > 0) - (off < 0) == side
    for part in (0, 1):
        for side in (-1, 0, 1):
            assert sum((p, s) == (part, side) for p, s, _ in made) >= 2
