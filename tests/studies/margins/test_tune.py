"""Tuning: margins kept, choice verified, refusals."""

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from sim.assembly.build import build
from sim.cli.main import cli
from sim.errors import ScenarioError
from sim.report.trade_plot import front
from sim.scenario.model import load_scenario
from sim.studies.margins.judge import Demands, demands_of
from sim.studies.margins.margins import study
from sim.studies.margins.tune import Knob, tune
from sim.studies.margins.verify import verify

ROOT = Path(__file__).parents[3]
HARROW = ROOT / "scenarios" / "harrow_point_reconfigure.toml"
SMALL = (
    "switch.connections=[[0,7],[13,20],[26,3],[39,41]]", "switch.moves=[]",
    "metrics.hold_from_ms=200", "duration_ms=800", "limits={}",
    "disturbances.0.correlation_s=0.05", "disturbances.0.sigma_urad=200",
)  # fmt: skip
PLAIN = (*SMALL, "controller.kind=integrator", "controller.integral_per_frame=0.1")
SETS = [part for text in PLAIN for part in ("--set", text)]


def test_strong_fast_drift_drives_the_gain_to_the_margins() -> None:
    built = build(load_scenario(HARROW, PLAIN))
    got = tune(built, Demands(1.4, 6.0, 30.0, None))
    assert got.chosen.meets and got.chosen.ms == pytest.approx(1.4, rel=0.02)
    assert f"Ms of mirror {got.chosen.ms_mirror}" in got.why
    # The full study of the tuned scenario says the same: no mirror is beyond the demand.
    tuned = build(built.resolved.replace(controller=got.chosen.settings))
    assert study(tuned, ()).ms_2x2.max() == pytest.approx(got.chosen.ms, rel=1e-3)
    # Second way: of a plain scan, nothing that keeps the margins loses less.
    assert got.chosen.loss_db <= min(c.loss_db for c in got.tried if c.meets) * (1 + 1e-3)
    assert got.rules["SIMC"].settings["integral_per_frame"] == pytest.approx(0.41, abs=0.05)


def test_noise_alone_asks_for_a_slow_loop() -> None:
    built = build(load_scenario(HARROW, (*PLAIN, "disturbances=[]", "mirror.cross_axis=[0,0]",
                                         "drive.calibration_error_pct=0")))  # fmt: skip
    got = tune(built, demands_of(built))
    assert got.chosen.settings["integral_per_frame"] == pytest.approx(0.003)
    assert "end of its range" in got.why


def test_verification_says_so_if_the_simulation_disagrees() -> None:
    scenario = load_scenario(HARROW, PLAIN)
    wrong = verify(scenario, 1e-9)
    assert not wrong.agrees and "DISAGREES" in wrong.words


def test_demands_that_cannot_be_kept_name_the_nearest() -> None:
    built = build(load_scenario(HARROW, PLAIN))
    with pytest.raises(ScenarioError, match="none of [0-9]+ gains keeps Ms 1.0001.*nearest has Ms"):
        tune(built, Demands(1.0001, 60.0, 30.0, 0.1))


def test_a_controller_without_known_knobs_needs_them_named() -> None:
    built = build(load_scenario(HARROW, (*SMALL, "controller.kind=open_loop")))
    with pytest.raises(ScenarioError, match='nothing is known to be tuned in "open_loop"'):
        tune(built, demands_of(built))


def test_knobs() -> None:
    knob = Knob("gain", 0.01, 1.0)
    assert knob.value(0.5) == pytest.approx(0.1) and knob.share(0.1) == pytest.approx(0.5)
    flat = Knob("proportional", 0.0, 2.0)
    assert flat.value(0.25) == 0.5 and flat.share(5.0) == 1.0


def test_chosen_settings_have_few_decimal_digits_and_stay_in_their_range() -> None:
    for knob in (Knob("gain", 0.003, 1.0), Knob("gain", 0.0, 0.6), Knob("gain", 0.123456, 0.3)):
        values = [knob.value(i / 256) for i in range(257)]
        assert values[0] == knob.low and values[-1] == knob.high
        assert all(len(repr(v).strip("0.").replace(".", "")) <= 4 for v in values[1:-1])


def test_margins_not_given_are_those_the_scenario_requires() -> None:
    built = build(load_scenario(HARROW, (*SMALL, "requirements.max_sensitivity=1.5",
                                         "requirements.phase_margin_deg=40")))  # fmt: skip
    assert demands_of(built)[:3] == (1.5, 6.0, 40.0)
    assert demands_of(built, 1.6, 8.0, 35.0)[:3] == (1.6, 8.0, 35.0)


def test_a_phase_margin_is_kept() -> None:
    # An integrator's phase margin falls with its gain: 70 deg costs gain that 30 deg does not.
    built = build(load_scenario(HARROW, SMALL))
    got = tune(built, Demands(3.0, 3.0, 70.0, None))
    assert got.chosen.meets and got.chosen.phase_margin_deg >= 70.0
    at = study(build(built.resolved.replace(controller=got.chosen.settings)), ())
    assert np.degrees(at.margins.phase_rad).min() == pytest.approx(
        got.chosen.phase_margin_deg, rel=1e-3
    )


def test_front() -> None:
    points = np.array([[1.0, 5.0], [2.0, 6.0], [2.0, 3.0], [3.0, 3.0], [4.0, 1.0]])
    np.testing.assert_array_equal(front(points), [[1.0, 5.0], [2.0, 3.0], [4.0, 1.0]])


def test_command_writes_a_scenario_that_runs(tmp_path: Path) -> None:
    out = tmp_path / "t"
    done = CliRunner().invoke(
        cli,
        ["tune", str(HARROW), "--out", str(out), *SETS, "--vary", "integral_per_frame=0.05..0.5"],
    )
    assert done.exit_code == 0, done.output
    table = json.loads((out / "tune.json").read_text())
    assert table["simulation"]["agrees"] and table["chosen"]["meets"]
    tuned = load_scenario(out / "tuned.toml")
    assert tuned.controller["integral_per_frame"] == (
        table["chosen"]["settings"]["integral_per_frame"]
    )
    assert 0.05 <= tuned.controller["integral_per_frame"] <= 0.5
    assert "Simulated jitter" in (out / "report.html").read_text()


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


def test_a_weight_on_settling_trades_loss_for_speed() -> None:
    # With a move, the least loss alone is slow; a weight buys speed for loss, never the reverse.
    built = build(load_scenario(HARROW, ("switch.connections=[[0,0],[95,95]]", "limits={}",
                                         "switch.moves.0.connections=[[0,95],[95,0]]",
                                         "controller.kind=integrator",
                                         "controller.integral_per_frame=0.1")))
    slow, fast = (
        tune(built, Demands(1.7, 6.0, 30.0, None, weight)).chosen for weight in (0.0, 1.0)
    )
    assert fast.settling_ms < 0.9 * slow.settling_ms
    assert fast.loss_db > slow.loss_db
    assert fast.meets and slow.meets
