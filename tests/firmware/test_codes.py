"""Codes of the DAC from words: against exact fractions, and against what the loop's drive does."""

import math
from fractions import Fraction

import numpy as np
import pytest

from sim.assembly.build import build
from sim.firmware.codes import CodedDrive, CodeWords, code_words, codes_of
from sim.firmware.q_format import QFormat
from sim.firmware.rounding import Rounding
from sim.foundations.errors import ScenarioError
from sim.kernels.plain.plant import _code
from sim.mirror.motion import Asked
from sim.mirror.propagator import make_drive
from sim.scenario.gallery import find
from sim.scenario.model import load_scenario
from tests.firmware.spots.longhand import exact

GAIN = np.array([[9.4e-4, 9.6e-4, 9.1e-4], [9.5e-4, 9.3e-4, 9.44e-4]])


@pytest.fixture(scope="module")
def params():
    return load_scenario(find("single_mirror_step")).drive


def drive_of(params, comb):
    drive = make_drive(params.replace(comb=comb), 4)
    gain = GAIN if comb == "push_pull" else GAIN / (drive.lsb_v * drive.codes)
    return drive, gain


def words_of(params, comb, rounding=Rounding.UP, bits=16):
    drive, gain = drive_of(params, comb)
    form = QFormat(32, 20)
    made = code_words(form, bits, rounding, scale_px_per_rad=500.0, believed_gain=gain, drive=drive)
    return made, drive, gain


@pytest.mark.parametrize("rounding", list(Rounding))
def test_codes_are_those_of_exact_fractions(params, rounding):
    words, drive, gain = words_of(params, "push_pull", rounding)
    rng = np.random.default_rng(6)
    tilt = rng.integers(-(1 << 26), 1 << 26, (50, 2, 3))
    wanted = [
        [[min(max(exact(Fraction(int(t) * int(k), 2**words.shift), rounding), words.lowest),
              words.highest) for t, k in zip(row, ks, strict=True)]
         for row, ks in zip(frame, words.per_px, strict=True)]
        for frame in tilt
    ]  # fmt: skip
    found = codes_of(words, tilt)
    assert found.tolist() == wanted
    assert found.min() == words.lowest
    assert found.max() == words.highest
    # By hand: a pixel is 1/500 rad, a code is gain times the step of the voltage.
    by_hand = 1 / (500.0 * gain * drive.lsb_v)
    assert words.per_px / 2.0 ** (words.shift - words.fraction) == pytest.approx(by_hand, rel=1e-4)


def test_single_sided_codes_are_the_nearest_root(params):
    words, _, _ = words_of(params, "single_sided")
    tilt = np.random.default_rng(7).integers(-(1 << 25), 1 << 25, (50, 2, 3))
    found = codes_of(words, tilt)
    assert (np.sign(found) * np.sign(tilt) >= 0).all()
    squares = np.abs(tilt * words.per_px)
    for p, code in zip(squares.ravel().tolist(), found.ravel().tolist(), strict=True):
        four = Fraction(4 * p, 2**words.shift)
        nearest = (math.isqrt(math.floor(four)) + 1) // 2
        assert abs(code) == min(nearest, words.highest if code > 0 else -words.lowest)


@pytest.mark.parametrize("comb", ["push_pull", "single_sided"])
def test_the_drive_of_the_loop_takes_these_very_codes(params, comb):
    """What the plain kernel makes of the request is the code, at every tick, before and after."""
    words, drive, gain = words_of(params, comb)
    coded = CodedDrive(words, scale_px_per_rad=500.0, believed_gain=gain, drive=drive)
    rng = np.random.default_rng(8)
    path = 0.05 * rng.uniform(-1, 1, (20, 2, 3))
    px = [rng.integers(-(1 << 22), 1 << 22, (2, 3)) for _ in range(2)]
    before, after = (p / 2.0**20 / 500.0 for p in px)
    asked = coded.asked(Asked(path, before, after, 7), 2, 20, 20)

    class Mirrors:
        believed_gain = gain

    for n in range(2, 20):
        volts = _code(asked.path_rad[n] + asked.before_rad, Mirrors, drive)
        word = np.rint(path[n] * 500.0 * 2.0**20).astype(np.int64) + px[0 if n < 7 else 1]
        assert (np.rint(volts / drive.lsb_v) == codes_of(words, word)).all()
        # The drive of the floating-point loop is no more than a code away.
        plain = _code(path[n] + (before if n < 7 else after), Mirrors, drive)
        assert np.abs(plain - volts).max() <= 1.001 * drive.lsb_v


def test_too_long_products_are_refused(params):
    drive, gain = drive_of(params, "push_pull")
    with pytest.raises(ValueError, match="takes 61 bits, and 59 are there"):
        code_words(
            QFormat(30, 20),
            30,
            Rounding.UP,
            scale_px_per_rad=500.0,
            believed_gain=gain,
            drive=drive,
        )


def test_a_run_with_fixed_arithmetic_sends_whole_codes():
    fixed = ['controller.arithmetic={kind="fixed"}']
    scenario = load_scenario(find("single_mirror_step"), fixed)
    parts = build(scenario).parts
    assert isinstance(parts.coded, CodedDrive)
    assert isinstance(parts.coded.words, CodeWords)
    assert parts.coded.words.fraction == parts.controller.law.formats.correction.fraction
    assert build(load_scenario(find("single_mirror_step"))).parts.coded is None


def test_words_of_the_estimator_must_fit_those_of_the_law():
    finer = [
        'estimator.arithmetic={kind="fixed",position_fraction=9}',
        'controller.arithmetic={kind="fixed"}',
    ]
    with pytest.raises(ScenarioError, match="no less than the estimator's, 9, whose words"):
        build(load_scenario(find("single_mirror_step"), finer))
