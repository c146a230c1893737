"""What shipped kinds offer beyond their port, parts from outside may offer too."""

from pathlib import Path

import numpy as np
import pytest

from controllers import CONTROLLERS
from controllers.rules import effective_delay_s, simc_pure_delay, ultimate
from sim.assembly.build import build
from sim.foundations.errors import ScenarioError
from sim.foundations.ports import Knob, Tunable, WithRules
from sim.loop.fused import reasons_not_fused
from sim.loop.simulate import simulate
from sim.scenario.model import load_scenario
from sim.studies.estimators.rows import cost_columns
from sim.studies.estimators.settings import entrants
from sim.studies.margins.demands import Demands
from sim.studies.margins.spectra import spectra_of
from sim.studies.margins.tune import tune

ONE_MIRROR = Path(__file__).parents[1] / "one_mirror.toml"
CONTROLLER = """
from controllers.integrator import Integrator
from sim.foundations.params import Block, Positive
from sim.foundations.ports import Knob

class Params(Block):
    pull: Positive

class Own:
    Params = Params
    knobs = (Knob("pull", 0.05, 0.5),)

    @staticmethod
    def rules(plant):
        return {"a third": {"pull": 1 / 3}}

    def __init__(self, params, plant):
        self.pull = params.pull

    def initial_state(self, n_mirrors):
        import numpy as np
        return np.zeros((n_mirrors, 2))

    def step(self, state, reading, setpoint):
        import numpy as np
        seen = np.isfinite(reading.tilt_rad)
        error = np.where(seen, setpoint.reference_rad - reading.tilt_rad, 0.0)
        new = np.clip(state + self.pull * error, setpoint.lowest_rad, setpoint.highest_rad)
        return new, new
"""
READER = """
from sim.estimators import EstimatorKind
from sim.estimators.centroid import thresholded_centroid
from sim.estimators.cost import Cost
from sim.estimators.settings import SpotSettings
from sim.foundations.ports import PixelSums

class Params(SpotSettings):
    level_dn: int

def read(frames_dn, *, camera, level_dn, min_flux_dn, edge_px):
    return thresholded_centroid(
        frames_dn, camera=camera, threshold_dn=level_dn, min_flux_dn=min_flux_dn, edge_px=edge_px
    )

def derived(expected):
    return {"level_dn": expected.best_threshold_dn()}

def tall(window_px):
    return "must not be tall" if window_px[0] > window_px[1] else None

def sums(settings):
    return PixelSums(settings.level_dn, settings.min_flux_dn, settings.edge_px)

Own = EstimatorKind(
    read, Params, pixel_sums=sums, cost=lambda h, w: Cost(7 * h * w, 24), derived=derived,
    window_fault=tall,
)
"""
WALK = """
import numpy as np
from sim.foundations.params import Block
from sim.foundations.ports import Effects

class Own:
    class Params(Block):
        pass

    def __init__(self, params, site):
        pass

    def density_rad2_per_hz(self, frequency_hz):
        return 3e-12 / frequency_hz

    def initial_state(self):
        return None

    def advance(self, state, first_frame, n_frames):
        return state, Effects()
"""


@pytest.fixture
def scenario(tmp_path):
    """Return a maker of scenarios from lines of TOML and a file own.py."""

    def make(line, code):
        (tmp_path / "own.py").write_text(code)
        path = tmp_path / "case.toml"
        path.write_text(f'base = "{ONE_MIRROR.as_posix()}"\n{line}\n')
        return load_scenario(path)

    return make


def test_a_controller_of_ones_own_is_tuned_by_its_knobs(scenario):
    built = build(scenario('controller = {kind = "own.py:Own", pull = 0.1}', CONTROLLER))
    result = tune(built, Demands(1.7, 6.0, 30.0, None))
    assert 0.05 <= result.chosen.settings["pull"] <= 0.5
    assert result.rules["a third"].settings["pull"] == 1 / 3
    assert result.chosen.meets
    silent = CONTROLLER.replace("knobs = ", "buttons = ")
    built = build(scenario('controller = {kind = "own.py:Own", pull = 0.1}', silent))
    with pytest.raises(ScenarioError, match="nothing is known to be tuned .* Known: integrator, p"):
        tune(built, Demands(1.7, 6.0, 30.0, None))


def test_every_shipped_controller_but_the_open_loop_can_be_tuned():
    tunable = {name for name, part in CONTROLLERS.items() if isinstance(part, Tunable)}
    assert set(CONTROLLERS) - tunable == {"open_loop"}
    for name in tunable:
        part = CONTROLLERS[name]
        assert all(isinstance(knob, Knob) for knob in part.knobs)
        assert {knob.name for knob in part.knobs} <= set(part.Params.model_fields), name


def test_rules_of_the_shipped_controllers_are_the_published_ones(scenario):
    # SIMC for pure delay: one over closed-loop time constant plus delay, both L; per frame T / 2 L.
    # The ultimate gain is that of the believed plant; tests of the rules look at it.
    belief = build(load_scenario(ONE_MIRROR)).parts.controller.plant
    delay_s, frame_s = effective_delay_s(belief), belief.frame_s
    with_rules = {name for name, part in CONTROLLERS.items() if isinstance(part, WithRules)}
    assert with_rules == {"integrator", "pi", "pid"}
    for name in with_rules:
        rules = CONTROLLERS[name].rules(belief)
        integral = CONTROLLERS[name].knobs[0].name
        assert rules["SIMC"][integral] == pytest.approx(frame_s / (2 * delay_s), rel=1e-12)
        assert rules["SIMC"][integral] == simc_pure_delay(delay_s, frame_s)
        half = rules["half the ultimate gain"][integral]
        assert half == 0.5 * ultimate(belief, integrating=True).gain
        assert ("ultimate-gain PI" in rules) == (name != "integrator")


LINE = 'estimator = {kind = "own.py:Own", level_dn = 800, min_flux_dn = 1500.0, edge_px = 3.0}'


def test_an_estimator_of_ones_own_may_be_fused(scenario):
    own, shipped = build(scenario(LINE, READER)), build(load_scenario(ONE_MIRROR))
    assert reasons_not_fused(own.parts) == reasons_not_fused(shipped.parts) == ()
    a, b = simulate(own.parts), simulate(shipped.parts)
    np.testing.assert_array_equal(a.traces.measured_rad, b.traces.measured_rad)
    unfused = build(scenario(LINE, READER.replace("pixel_sums=sums, ", "")))
    assert reasons_not_fused(unfused.parts)
    c = simulate(unfused.parts)
    np.testing.assert_array_equal(c.traces.measured_rad, b.traces.measured_rad)


def test_an_estimator_of_ones_own_states_cost_settings_and_windows(scenario):
    case = scenario(LINE, READER)
    written, derived, *shipped = entrants(case.estimator, case.camera)
    assert written.settings_for(case.camera)["level_dn"] == 800
    theirs = next(one for one in shipped if one.name == "thresholded_centroid")
    level = derived.settings_for(case.camera)["level_dn"]
    assert level == theirs.settings_for(case.camera)["threshold_dn"]
    assert cost_columns(written.part, (24, 24)) == {"multiply_adds": 4032, "memory_bytes": 24}
    with pytest.raises(ScenarioError, match=r"camera.window_px: .*own.py:Own\" must not be tall"):
        build(scenario(LINE + "\ncamera.window_px = [26, 24]", READER))
    with pytest.raises(ScenarioError, match='"quad_cell" needs sides that are both even or both'):
        build(load_scenario(ONE_MIRROR, [
            "estimator.kind=quad_cell", "estimator.min_flux_dn=1500.0", "estimator.edge_px=3.0",
            "camera.window_px=[24, 23]",
        ]))  # fmt: skip


def test_a_disturbance_of_ones_own_states_its_density(scenario):
    built = build(scenario('disturbances = [{kind = "own.py:Own"}]', WALK))
    spectra = spectra_of(built)
    (own,) = (c for c in spectra.contributors if c.name.startswith("1. "))
    # The history is drawn at frame edges: far below the frame rate its density is the one stated,
    # and folds of what is above add 2 f/fs for each fold and its number (a harmonic sum).
    low = spectra.frequency_hz < 1e-3 / built.parts.clock.frame_s
    assert low.sum() > 10
    np.testing.assert_allclose(own.density[low, 0, 0], 3e-12 / spectra.frequency_hz[low], rtol=0.02)


@pytest.mark.parametrize("worth", [True, False])
def test_pictures_of_what_a_disturbance_says_is_worth_one(scenario, worth):
    code = WALK.replace(
        "return state, Effects()",
        "a = np.zeros((20 * n_frames + 1, 3))\n"
        "        if first_frame <= 40 < first_frame + n_frames:\n"
        "            a[20 * (40 - first_frame) + 3] = 1.0\n"
        "        return state, Effects(acceleration_m_s2=a)",
    ).replace("    def __init__", f"    worth_a_picture = {worth}\n\n    def __init__")
    pictures = build(scenario('disturbances = [{kind = "own.py:Own"}]', code)).parts.pictures
    assert (("at the strongest acceleration", 41) in pictures) == worth
