"""Noise of the roundings inside a law: closed forms, and the law played in whole numbers."""

import numpy as np
import pytest

from controllers import CONTROLLERS
from controllers.analysis.linearise import linearise
from sim.assembly.build import build
from sim.firmware.controller import FixedController
from sim.firmware.rounding_noise import rounding_bound_px, rounding_density, units_px
from sim.firmware.settings import ControllerArithmetic
from sim.foundations.ports import PlantBelief, Setpoint, TiltReading
from sim.foundations.ports.linear_law import hand_over, law_step
from sim.scenario.gallery import find
from sim.scenario.model import load_scenario
from sim.studies.margins.contributors import compare_contributors
from sim.studies.margins.margins import study
from sim.studies.margins.margins_page import page_of
from sim.studies.margins.spectra import ROUNDING
from tests.controllers.test_controller_contract import CASES

PLANT = PlantBelief(
    1e-3, 3e-4, 1e-3, 5e-5, (2 * np.pi * 700, 2 * np.pi * 760), (8.0, 8.0), 4e-5, 0.075
)
SCALE = 500.0
ALL = [
    pytest.param(kind, settings, id=f"{kind}-{i}")
    for kind in sorted(CONTROLLERS)
    for i, settings in enumerate(CASES[kind])
]


def made(kind, settings, **arithmetic):
    part = CONTROLLERS[kind]
    exact = part(part.Params(kind=kind, **settings), PLANT)
    return FixedController(
        exact.linear_law(), ControllerArithmetic(kind="fixed", **arithmetic), kind=kind,
        scale_px_per_rad=SCALE, position_px=80.0, correction_px=40.0,
    )  # fmt: skip


def test_an_integrator_rounds_its_state_and_passes_it_on():
    """By hand: u[k] = u[k-1] + K e + r, so the density is 2 T q^2/12 / |1 - 1/z|^2."""
    fixed = made("pi", {"proportional": 0.0, "integral_per_frame": 0.1}, state_bits=20)
    law = fixed.law
    state = law.formats.states[0].step
    f = np.array([1.0, 30.0, 480.0])
    got = rounding_density(law, f, 1e-3, rounds_positions=False)
    units = units_px(law, False)
    assert units[0] == 0
    assert units[2] == state
    by_state = state**2 / 12 / (4 * np.sin(np.pi * f * 1e-3) ** 2)
    by_correction = units[-1] ** 2 / 12
    assert got[:, 0, 0] == pytest.approx(2e-3 * (by_state + by_correction), rel=1e-9)
    # Rounding to the nearest moves it by half a unit a frame at most.
    bound = rounding_bound_px(law, 10, rounds_positions=False)
    assert bound[0, 0] == pytest.approx((11 * state + units[-1]) / 2, rel=1e-9)


@pytest.mark.parametrize(("kind", "settings"), ALL)
def test_density_and_bound_are_those_of_the_law_played_in_whole_numbers(kind, settings):
    """The law of the words is played beside the words, on readings of many units.

    Differences from frame to frame, so that what an integral gathers stays finite.
    """
    fixed = made(kind, settings, state_bits=18, position_fraction=6)
    exact = fixed.rounded_law()
    frames, mirrors = 300, 8
    rng = np.random.default_rng(15)
    readings = np.rint(rng.normal(0, 0.6, (frames, mirrors, 2)) * 2**6) / 2**6 / SCALE
    edge = np.full((mirrors, 2), 40.0 / SCALE)
    seen, status = np.ones((mirrors, 2), bool), np.zeros(mirrors, np.uint8)
    words, state = fixed.initial_state(mirrors), None
    for k, reading in enumerate(readings):
        setpoint = Setpoint(np.zeros((mirrors, 2)), -edge, edge)
        words, got = fixed.step(words, TiltReading(reading, status), setpoint)
        if k == 0:
            state = _start(exact, mirrors)
            apart = np.empty((frames, mirrors, 2))
        state = law_step(exact, state, -reading, seen, -edge, edge)
        apart[k] = (got - state.correction_rad) * SCALE
    assert words.saturated.max() == 0
    bound = rounding_bound_px(fixed.law, frames, rounds_positions=False)
    assert (np.abs(apart) <= bound * (1 + 1e-9)).all()
    f = (np.arange(4000) + 0.5) / 4000 * 500.0
    density = rounding_density(fixed.law, f, 1e-3, rounds_positions=False)
    turned = 4 * np.sin(np.pi * f * 1e-3) ** 2
    wanted = (density * turned[:, None, None]).mean(axis=0).mean() * 500.0
    got = np.diff(apart[50:], axis=0).var()
    # 4000 differences: 4.5 standard errors of a variance are 10 %. Coefficients of few bits, and
    # one reading in several rows, make roundings depend on each other, which white noise does not.
    assert got == pytest.approx(wanted, rel=0.35)


def _start(law, mirrors):
    return hand_over(law, np.zeros((mirrors, 2)))


@pytest.mark.parametrize(("kind", "settings"), ALL)
def test_a_law_in_whole_numbers_is_analysed_by_its_words(kind, settings):
    fixed = made(kind, settings, coefficient_bits=24)
    part = CONTROLLERS[kind]
    plain = linearise(part(part.Params(kind=kind, **settings), PLANT), 2)
    words = linearise(fixed, 2)
    z = np.exp(2j * np.pi * np.array([0.03, 0.1, 0.2, 0.45]))

    def response(c):
        inside = np.linalg.solve(z[:, None, None] * np.eye(c.A.shape[-1]) - c.A[0], c.B[0] + 0j)
        return c.C[0] @ inside + c.D[0]

    # Away from zero frequency; what words do to an integral is seen below.
    assert response(words) == pytest.approx(response(plain), rel=0.02, abs=2e-3)


def test_an_integral_made_of_several_coefficients_leaks_and_the_analysis_shows_it():
    """A pole at 1 is kept where it is a coefficient, and missed where it is a sum of them."""

    def nearest_to_one(fixed):
        poles = np.linalg.eigvals(linearise(fixed, 2).A[0])
        return np.abs(poles - 1).min()

    assert nearest_to_one(made("pi", {"proportional": 0.1, "integral_per_frame": 0.1})) < 1e-12
    smith = [nearest_to_one(made("smith", CASES["smith"][0], coefficient_bits=b)) for b in (12, 24)]
    assert smith[0] > 1e-5
    assert smith[1] < smith[0]


def test_a_controller_that_is_no_more_than_its_words_is_still_refused():
    fixed = made("pi", {"proportional": 0.0, "integral_per_frame": 0.1})
    law = fixed.rounded_law()
    wrong = law._replace(seen=law.seen._replace(B=1.01 * law.seen.B))
    fixed.rounded_law = lambda: wrong
    with pytest.raises(ValueError, match="must be linear"):
        linearise(fixed, 2, (1e-2,))


def test_prediction_of_rounding_is_what_the_simulation_loses_by_it():
    """Independent: the same run with the law in floating point, under the same random numbers."""
    coarse = 'controller.arithmetic={kind="fixed",position_fraction=5}'
    built = build(load_scenario(find("single_mirror_step"), [coarse]))
    found = compare_contributors(built)
    row = next(row for row in found.rows if row.name == ROUNDING)
    # 3 mirrors, 2 axes, 100 frames at a correlation of some 10: 60 draws, so 9 % an rms; 3 of it.
    assert 0.73 < row.ratio < 1.27
    assert row.predicted_urad > 5
    assert found.band.holds(found.total.ratio)


def test_margins_are_those_of_the_words_and_say_so():
    text = ['controller.arithmetic={kind="fixed"}']
    words = study(build(load_scenario(find("single_mirror_step"), text)), ())
    plain = study(build(load_scenario(find("single_mirror_step"))), ())
    assert words.margins.ms == pytest.approx(plain.margins.ms, rel=1e-3)
    assert any("whole numbers" in note for note in page_of(words).notes)
    assert not any("whole numbers" in note for note in page_of(plain).notes)
