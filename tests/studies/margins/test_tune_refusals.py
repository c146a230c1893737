"""What tuning refuses: demands that nothing keeps, and input that means nothing."""

import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from sim.assembly.build import build
from sim.cli.main import cli
from sim.foundations.errors import ScenarioError
from sim.scenario.model import load_scenario
from sim.studies.margins.demands import Demands, demands_of
from sim.studies.margins.move import move_of
from sim.studies.margins.settling import ringing_of
from sim.studies.margins.tune import tune
from sim.studies.margins.verify import verify_choice
from tests.studies.margins.tuning import HARROW, PLAIN, ROOT, SETS, SMALL


def test_a_refusal_shows_what_is_nearest_to_each_demand_and_does_not_contradict_itself() -> None:
    built = build(load_scenario(HARROW, PLAIN))
    demands = Demands(1.2, 30.0, 30.0, 4.0)
    with pytest.raises(ScenarioError) as refused:
        tune(built, demands)
    head, ms, gain, phase, settling, *more = str(refused.value).splitlines()
    assert re.match("controller: none of [0-9]+ sets of gains, with shaping ", head)
    assert "keeps all of Ms at most 1.2, gain margin at least 30 dB" in head
    # What is said to be kept by itself is kept: the figure shown is on the right side.
    assert float(re.search(r"kept by .*\(Ms ([0-9.]+) ", ms)[1]) <= 1.2  # type: ignore[index]
    assert float(re.search(r"\(gain margin ([0-9.]+) dB", gain)[1]) >= 30.0  # type: ignore[index]
    assert "phase margin at least 30 deg by itself: kept by" in phase
    assert "settling at most 4 ms by itself is kept by none; nearest: integral_per" in settling
    # Nothing moves, so there is no path and no ringing to speak of.
    assert not more


def test_ringing_beyond_the_demand_is_said_with_what_other_shaping_would_do() -> None:
    moved = ("switch.connections=[[0,0],[95,95]]", "switch.moves.0.connections=[[0,95],[95,0]]",
             "limits={}", 'shaping={kind="none"}',
             "controller={kind='integrator',integral_per_frame=0.1}")
    built = build(load_scenario(HARROW, moved))
    demands = Demands(1.7, 6.0, 30.0, 11.0)
    with pytest.raises(ScenarioError, match="ringing after it take") as refused:
        tune(built, demands)
    said = str(refused.value).splitlines()[-1]
    assert said.startswith("shaping: ") and "more than the 11 ms demanded" in said
    alone = {kind: float(ms) for kind, ms in re.findall(r"(zvd?|time_optimal) ([0-9.]+) ms", said)}
    own = float(re.search(r"take ([0-9.]+) ms, more", said)[1])  # type: ignore[index]
    assert alone["zvd"] < alone["zv"] < own
    # Second way: with that shaping the ringing is what was said.
    zvd = build(load_scenario(HARROW, (*moved, 'shaping={kind="zvd"}')))
    assert 1e3 * ringing_of(zvd, move_of(zvd)).max() == pytest.approx(alone["zvd"], abs=0.06)
    # And the search takes one that keeps the demand.
    got = tune(built, demands, shape=True)
    assert got.chosen.meets and got.chosen.shaping["kind"] != "none"
    assert verify_choice(got).settling_agrees


def test_a_controller_without_known_knobs_needs_them_named() -> None:
    built = build(load_scenario(HARROW, (*SMALL, "controller.kind=open_loop")))
    with pytest.raises(ScenarioError, match='nothing is known to be tuned in "open_loop"'):
        tune(built, demands_of(built))


@pytest.mark.parametrize(
    ("vary", "message"), [("gain", "needs"), ("gain=2..1", "below HIGH"), ("gain=a..b", "needs"),
     ("gain=1:2", "needs NAME=LOW..HIGH"), ("gain=1..2/3", "leave out /COUNT")]
)
def test_bad_ranges_are_refused(tmp_path: Path, vary: str, message: str) -> None:
    done = CliRunner().invoke(
        cli, ["tune", str(HARROW), "--out", str(tmp_path / "t"), *SETS, "--vary", vary]
    )
    assert done.exit_code == 2 and message in done.output


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (("--settling-weight", "nan"), "--settling-weight must be a finite number (got nan)"),
        (("--settling-weight", "inf"), "--settling-weight must be a finite number (got inf)"),
        (("--max-sensitivity", "nan"), "--max-sensitivity must be a finite number (got nan)"),
        (("--gain-margin", "inf"), "--gain-margin must be a finite number (got inf)"),
        (("--settling", "nan"), "--settling must be a finite number (got nan)"),
        (("--vary", "integral_per_frame=0.1..99"),
         "--vary integral_per_frame: controller.integral_per_frame: must be 10 at most (got 99"),
        (("--settling", "0"), "settling at most 0 ms by itself is kept by none"),
        (("--max-sensitivity", "1.0001"), "keeps all of Ms at most 1.0001, gain margin"),
        (("--vary", "a=1..2", "--vary", "controller.a=2..3"),
         "--vary controller.a=2..3: a is varied already"),
    ],
)
def test_options_that_mean_nothing_are_refused(
    tmp_path: Path, options: tuple[str, ...], message: str
) -> None:
    out = tmp_path / "t"
    done = CliRunner().invoke(cli, ["tune", str(HARROW), "--out", str(out), *SETS, *options])
    assert done.exit_code == 2 and message in done.output
    assert not out.exists()


@pytest.mark.parametrize(
    ("study_name", "name", "body", "message"),
    [
        ("margins", "Wide", "np.zeros((7, 2))",
         "a correction must be (M, 2), here (3, 2); got (7, 2)"),
        ("tune", "Lost", "np.full((3, 2), np.nan)", "is not finite (got nan)"),
        ("sensitivity", "Lost", "np.full((3, 2), np.nan)", "is not finite (got nan)"),
    ],
)  # fmt: skip
def test_what_a_controller_gives_wrongly_is_one_clear_message(
    tmp_path: Path, study_name: str, name: str, body: str, message: str
) -> None:
    code = f"""
import numpy as np
from mirrorloop import Block, Positive

class {name}:
    class Params(Block):
        gain: Positive = 0.1

    def __init__(self, params, plant):
        pass

    def initial_state(self, n_mirrors):
        return np.zeros((n_mirrors, 2))

    def step(self, state, reading, setpoint):
        return state, {body}
"""
    (tmp_path / "own.py").write_text(code, encoding="utf-8")
    kind = f'controller={{kind="{tmp_path}/own.py:{name}"}}'
    vary = ["--vary", "gain=0.1..0.3"] if study_name == "tune" else []
    out = tmp_path / "o"
    step = str(ROOT / "scenarios" / "single_mirror_step.toml")
    done = CliRunner().invoke(
        cli, [study_name, step, "--out", str(out), "--set", kind, *vary]
    )
    assert done.exit_code == 2 and message in done.output, done.output
    assert not out.exists()


def test_an_unknown_setting_lists_the_settings() -> None:
    with pytest.raises(ScenarioError, match="unknown key.*Known: integral_per_frame, kind, sect"):
        build(load_scenario(HARROW, (*SMALL, "controller.kind=integrator",
                                     "controller.integral_per_frame=0.1", "controller.foo=3")))
