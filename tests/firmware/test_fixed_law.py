"""Control laws in whole numbers: against exact fractions, and against the law they come from."""

import math
from fractions import Fraction

import numpy as np
import pytest

from controllers import CONTROLLERS
from sim.assembly.build import build
from sim.firmware.controller import FixedController
from sim.firmware.fixed_law import FixedLaw
from sim.firmware.law_ranges import ranges_of
from sim.firmware.law_words import fixed_law, rounded_law, sum_bits
from sim.firmware.rounding import Rounding
from sim.firmware.settings import ControllerArithmetic
from sim.foundations.errors import ScenarioError
from sim.foundations.ports import PlantBelief, Setpoint, SpotStatus, TiltReading
from sim.foundations.ports.linear_law import LawMatrices, LinearLaw
from sim.scenario.gallery import find
from sim.scenario.model import load_scenario
from tests.controllers.test_controller_contract import CASES

PLANT = PlantBelief(
    1e-3, 3e-4, 1e-3, 5e-5, (2 * np.pi * 700, 2 * np.pi * 760), (8.0, 8.0), 4e-5, 0.075
)
SCALE = 500.0
LIMIT = 0.08
ALL = [
    pytest.param(kind, settings, id=f"{kind}-{i}")
    for kind in sorted(CONTROLLERS)
    for i, settings in enumerate(CASES[kind])
]


def made(kind, settings, **arithmetic):
    part = CONTROLLERS[kind]
    exact = part(part.Params(kind=kind, **settings), PLANT)
    fixed = FixedController(
        exact.linear_law(), ControllerArithmetic(kind="fixed", **arithmetic), kind=kind,
        scale_px_per_rad=SCALE, position_px=2 * LIMIT * SCALE, correction_px=LIMIT * SCALE,
    )  # fmt: skip
    return exact, fixed


def readings(frames, mirrors=3):
    """Drift, noise, a lost mirror now and then, and a step beyond the limits."""
    rng = np.random.default_rng(11)
    for k in range(frames):
        tilt = 2e-3 * rng.normal(size=(mirrors, 2)) + (0.15 if 60 < k < 90 else 0.0)
        status = np.where(rng.random(mirrors) < 0.1, SpotStatus.DIM, SpotStatus.OK)
        tilt = np.where((status == SpotStatus.OK)[:, None], tilt, np.nan)
        edge = np.full((mirrors, 2), LIMIT)
        reference = np.round(1e-3 * rng.normal(size=(mirrors, 2)), 6)
        yield TiltReading(tilt, status.astype(np.uint8)), Setpoint(reference, -edge, edge)


class Longhand:
    """One axis of one mirror in exact fractions; what rounds, and where, as docs/firmware.md says.

    Nothing of the model is used but its coefficients, shifts and word lengths.
    """

    def __init__(self, law: FixedLaw, mirror: int, axis: int) -> None:
        self.law = law
        self.rows = [
            [[int(c) for c in row] for row in law.rows[w][min(mirror, law.rows.shape[1] - 1)][axis]]
            for w in (0, 1)
        ]
        self.sections = [
            [Fraction(int(c), 1 << law.section_shift)
             for c in section[min(mirror, section.shape[0] - 1)][axis]]
            for section in law.sections
        ]  # fmt: skip
        self.n = len(law.conditional)
        self.x = [Fraction(0)] * self.n
        self.known = False
        self.u = Fraction(0)
        self.memory = [[Fraction(0), Fraction(0)] for _ in self.sections]

    def to_word(self, value: Fraction, form) -> Fraction:
        """Round a number to the words of a format, ties up, and cut it off."""
        word = math.floor(value * Fraction(2) ** form.fraction + Fraction(1, 2))
        word = min(max(word, -(2 ** (form.bits - 1))), 2 ** (form.bits - 1) - 1)
        return Fraction(word) / Fraction(2) ** form.fraction

    def row(self, which: int, i: int, inputs: list[Fraction], form) -> Fraction:
        f = self.law.formats
        fractions = [f.value.fraction, *(s.fraction for s in f.states), f.correction.fraction]
        shift = int(self.law.shifts[which][i])
        total = Fraction(0)
        for c, number, fraction in zip(self.rows[which][i], inputs, fractions, strict=True):
            real = Fraction(c) * Fraction(2) ** (fraction - form.fraction - shift)
            total += real * number
        return self.to_word(total, form)

    def step(self, mismatch: Fraction | None, low: Fraction, high: Fraction) -> Fraction:
        f, which = self.law.formats, 0 if mismatch is not None else 1
        value = Fraction(0) if mismatch is None else mismatch
        if mismatch is not None and self.sections:
            value = self.to_word(value, f.value)
            for memory, (b0, b1, b2, a1, a2) in zip(self.memory, self.sections, strict=True):
                out = self.to_word(b0 * value + memory[0], f.value)
                memory[0], memory[1] = b1 * value - a1 * out + memory[1], b2 * value - a2 * out
                value = out
        x = [
            value if previous and not self.known else each
            for each, previous in zip(self.x, self.law.previous, strict=True)
        ]
        after = [self.row(which, i, [value, *x, self.u], f.states[i]) for i in range(self.n)]
        wanted = self.row(which, self.n, [value, *after, self.u], f.correction)
        granted = min(max(wanted, low), high)
        if mismatch is not None:
            for i in np.flatnonzero(self.law.conditional):
                if (wanted - granted) * (after[i] - self.x[i]) > 0:
                    after[i] = self.x[i]
                after[i] = min(max(after[i], low), high)
        self.x, self.u, self.known = after, granted, mismatch is not None
        return granted


@pytest.mark.parametrize(("kind", "settings"), ALL)
def test_words_are_those_of_exact_fractions(kind, settings):
    _, fixed = made(kind, settings, rounding="up")
    f = fixed.law.formats
    state = fixed.initial_state(3)
    axes = {(m, a): Longhand(fixed.law, m, a) for m in range(3) for a in range(2)}
    edge = Fraction(math.floor(Fraction(LIMIT * SCALE) * 2**f.correction.fraction))
    edge /= 2**f.correction.fraction
    for reading, setpoint in readings(120):
        state, correction = fixed.step(state, reading, setpoint)
        for (m, a), one in axes.items():
            mismatch = None
            if reading.status[m] == SpotStatus.OK:
                tilt, reference = reading.tilt_rad[m, a], setpoint.reference_rad[m, a]
                to = 2**f.position.fraction
                words = round(Fraction(reference * SCALE) * to) - round(Fraction(tilt * SCALE) * to)
                mismatch = Fraction(words, to)
            wanted = one.step(mismatch, -edge, edge)
            word = int(wanted * Fraction(2) ** f.correction.fraction)
            assert state.correction[m, a] == word
            assert [int(w) for w in state.states[m, a]] == [
                int(x * Fraction(2) ** form.fraction)
                for x, form in zip(one.x, f.states, strict=True)
            ]
    assert correction == pytest.approx(
        state.correction * 2.0**-f.correction.fraction / SCALE, rel=1e-15
    )


@pytest.mark.parametrize(("kind", "settings"), ALL)
def test_long_words_come_as_near_to_the_law_as_one_likes(kind, settings):
    gaps = []
    for coefficient_bits in (16, 24):
        exact, fixed = made(
            kind, settings, position_fraction=18, coefficient_bits=coefficient_bits, state_bits=32
        )
        one, other = exact.initial_state(3), fixed.initial_state(3)
        worst = 0.0
        for reading, setpoint in readings(60):
            one, wanted = exact.step(one, reading, setpoint)
            other, got = fixed.step(other, reading, setpoint)
            worst = max(worst, float(np.abs(got - wanted).max()))
        gaps.append(worst)
    assert gaps[1] < 1e-6
    assert gaps[1] <= gaps[0] + 1e-9


@pytest.mark.parametrize(("kind", "settings"), ALL)
def test_no_sum_leaves_its_word_even_with_the_worst_words(kind, settings):
    _, fixed = made(kind, settings)
    law = fixed.law
    bits = sum_bits(law)
    f = law.formats
    top = [-f.value.lowest, *(-s.lowest for s in f.states), -f.correction.lowest]
    for i, name in enumerate([*(f"state {i}" for i in range(len(f.states))), "the correction"]):
        worst = max(
            sum(abs(int(c)) * t for c, t in zip(row, top, strict=True))
            for row in law.rows[..., i, :].reshape(-1, len(top))
        )
        assert 2 ** (bits[name] - 2) <= max(worst, 1) < 2 ** (bits[name] - 1) <= 2**62


def test_coefficients_as_rounded_are_a_law_for_the_linear_analysis():
    exact, fixed = made("pi", {"proportional": 0.1, "integral_per_frame": 0.3})
    rounded = rounded_law(fixed.law)
    assert rounded.seen.A[0, 0, 0, 0] == 1.0
    assert rounded.seen.B[0, 0, 0] == pytest.approx(0.3, rel=2**-13)
    assert rounded.seen.B[0, 0, 0] != 0.3
    assert exact.linear_law().seen.D[0, 0] == pytest.approx(rounded.seen.D[0, 0], abs=2**-14)


@pytest.mark.parametrize(
    ("rounding", "below", "above"),
    [("away", 15, -15), ("even", 16, -16), ("up", 15, -16), ("floor", 0, -31), ("zero", 31, -31)],
)
def test_a_coarse_integrator_stalls_where_its_increment_rounds_to_nothing(rounding, below, above):
    # Derivation: u stands still as soon as Q(e / n) is 0, with n = 32 the errors |e| < 16 for the
    # nearest, 0 <= e < 32 downward, |e| < 32 towards zero; and the tie e = 16, where the rule says.
    from sim.firmware.rounding import divided

    for start, last in ((200, below), (-200, above)):
        e = start
        for _ in range(400):
            e -= int(divided([e], [32], Rounding(rounding))[0])
        assert e == last if rounding != "floor" else abs(e) in (abs(below), abs(above))


def test_words_that_are_too_short_are_refused():
    scenario = load_scenario(
        find("single_mirror_step"),
        ['controller.arithmetic={kind="fixed", state_bits=8}'],
    )
    with pytest.raises(ScenarioError, match="controller.arithmetic: state_bits: a mismatch of"):
        build(scenario)
    scenario = load_scenario(
        find("single_mirror_step"), ['controller.arithmetic={kind="fixed", stat_bits=8}']
    )
    with pytest.raises(ScenarioError, match="stat_bits"):
        build(scenario)
    scenario = load_scenario(find("single_mirror_step"), ["controller.arithmetic=16"])
    with pytest.raises(ScenarioError, match="must be a table"):
        build(scenario)


def test_a_resolved_scenario_says_how_it_computes():
    scenario = load_scenario(
        find("single_mirror_step"), ['controller.arithmetic={kind="fixed", rounding="floor"}']
    )
    built = build(scenario)
    assert built.resolved.controller["arithmetic"]["rounding"] == "floor"
    assert isinstance(built.parts.controller, FixedController)


@pytest.mark.parametrize("position_fraction", [0, 2, 4, 8])
@pytest.mark.parametrize("coefficient_bits", [10, 12, 16, 24])
def test_an_integral_is_kept_whatever_the_words(position_fraction, coefficient_bits):
    # A state that is much finer than what comes in has a large coefficient for the mismatch in
    # the row of its own 1: with one shift for both, the 1 must not be lost.
    _, fixed = made(
        "pi", {"proportional": 0.0, "integral_per_frame": 0.1},
        position_fraction=position_fraction, coefficient_bits=coefficient_bits,
    )  # fmt: skip
    rounded = rounded_law(fixed.law)
    assert (rounded.seen.A == 1.0).all() and (rounded.lost.A == 1.0).all()
    assert (rounded.lost.H == 1.0).all()
    assert rounded.seen.B[0, 0, 0] == pytest.approx(0.1, rel=0.3)


def test_words_in_which_a_one_is_lost_are_refused():
    kept = LawMatrices.of(1, A=1.0, H=1.0)
    steep = LinearLaw.of(LawMatrices.of(1, A=1.0, B=300.0, C=1.0), kept, conditional=[True])
    arithmetic = ControllerArithmetic(kind="fixed", coefficient_bits=8)
    with pytest.raises(ValueError, match=r"a coefficient of 1 \(seen.A\) would become 0"):
        fixed_law(steep, arithmetic, ranges_of(steep, position_px=40.0, correction_px=40.0))
