"""Tuning: the choice keeps its demands, is what a scan finds, and is verified."""

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from controllers.analysis import loop_system
from sim.assembly.build import build
from sim.cli.main import cli
from sim.foundations.errors import ScenarioError
from sim.loop.simulate import simulate
from sim.report.trade_plot import front
from sim.results.metrics import mirror_name
from sim.scenario.model import load_scenario
from sim.studies.margins.demands import Demands, demands_of
from sim.studies.margins.margins import study
from sim.studies.margins.plant import plant_of
from sim.studies.margins.tune import Knob, TuningResult, tune
from sim.studies.margins.verify import verify
from tests.studies.margins.tuning import HARROW, PLAIN, SETS, SMALL

DRIVEN = Demands(1.4, 6.0, 30.0, None)


@pytest.fixture(scope="module")
def driven() -> TuningResult:
    """Gains that strong and fast drift drives to the margins."""
    return tune(build(load_scenario(HARROW, PLAIN)), DRIVEN)


def test_strong_fast_drift_drives_the_gain_to_the_margins(driven: TuningResult) -> None:
    built, got = driven.judge.built, driven
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


def test_what_holds_a_choice_is_found_by_relaxing_it(driven: TuningResult) -> None:
    built, got, demands = driven.judge.built, driven, DRIVEN
    (hold,) = got.holds
    assert hold.demands == ("ms",) and hold.without.ms > 1.4
    assert hold.gain_db == pytest.approx(
        demands.cost_db(got.chosen) - demands.cost_db(hold.without), rel=1e-3
    )
    assert "Held by Ms of mirror" in got.why and "at a cost" in got.why
    # Second way: a search without the demand chooses the same.
    free = tune(built, demands.without("ms"))
    assert free.chosen.settings == hold.without.settings


def test_settling_counts_at_the_rate_of_moves() -> None:
    moved = load_scenario(HARROW)
    built = build(moved)
    demands = demands_of(built)
    # One move of all connections in 400 ms; light lost for a share p of the time costs
    # -10 lg(1 - p), 10/ln 10 dB per unit of p for small p (exact: the derivative).
    assert demands.settling_weight == pytest.approx(10 / np.log(10) / 400)
    assert "9000 times an hour" in demands.objective
    assert demands_of(built, moves_per_hour=3600).settling_weight == pytest.approx(
        10 / np.log(10) * 1e-3
    )
    assert demands_of(build(load_scenario(HARROW, SMALL))).settling_weight == 0.0
    assert "nine tenths of the scenario's limit of 60 ms" in demands.settling_words
    with pytest.raises(ScenarioError, match="give one of them"):
        demands_of(built, settling_weight=1.0, moves_per_hour=1.0)


def test_chosen_margins_are_those_of_another_library_and_of_the_simulation() -> None:
    built = build(load_scenario(HARROW, (*PLAIN, "duration_ms=400", "switch.connections=[[0,7]]")))
    got = tune(built, Demands(1.7, 6.0, 30.0, None)).chosen
    tuned = build(built.resolved.replace(controller=got.settings))
    # python-control: the 2 x 2 loop of each mirror, the largest singular value of S on a grid.
    w = np.linspace(1.0, np.pi * 1000.0 - 1.0, 3000)
    peaks = []
    for m in range(2):
        loop = loop_system(tuned.parts.controller, plant_of(tuned), m)
        s = np.linalg.inv(np.eye(2) + np.moveaxis(loop(np.exp(1j * w * 1e-3)), -1, 0))
        peaks.append(np.linalg.svd(s, compute_uv=False).max())
    assert got.ms == pytest.approx(max(peaks), rel=2e-3)
    # Brute force in the time simulation: the gain below and above what the margin allows.
    ends = []
    for factor in (0.95, 1.05):
        gain = got.settings["integral_per_frame"] * factor * 10 ** (got.gain_margin_db / 20)
        case = tuned.resolved.replace(controller={"kind": "integrator", "integral_per_frame": gain})
        ends.append(np.abs(simulate(build(case).parts).traces.error_rad[-50:]).max())
    assert ends[1] > 1e-3 and ends[0] < 0.3 * ends[1], ends


def test_single_mirrors_are_judged_by_their_own_figures(driven: TuningResult) -> None:
    got = driven
    assert sum(got.chosen.each.loss_db) / 4 == pytest.approx(got.chosen.loss_db)
    for row in got.costliest:
        assert row.loss_alone_db <= row.loss_db * (1 + 1e-6) and row.ms_alone <= 1.4
    assert [r.loss_db for r in got.costliest] == sorted(r.loss_db for r in got.costliest)[::-1]


def test_gains_of_a_single_mirror_are_its_optimum(driven: TuningResult) -> None:
    # Second way: a plain scan of gains, 1 % apart, of a switch with the same mirrors: none loses
    # less on this mirror with its own Ms kept, but for what the scan's steps and the search's
    # tolerance (1/256 of the range of gains: 2 %) are worth.
    judge, row = driven.judge, driven.costliest[0]
    place = next(i for i, m in enumerate(judge.built.parts.mirrors)
                 if mirror_name(int(m), 96) == row.mirror)  # fmt: skip
    base = dict(judge.built.resolved.controller)
    gains = row.settings["integral_per_frame"] * 1.01 ** np.arange(-12, 13)
    best = np.inf
    for gain in gains:
        c = judge.candidate(base | {"integral_per_frame": float(gain)})
        if c.each.ms[place] <= 1.4 and c.each.gain_margin_db[place] >= 6.0:
            best = min(best, float(c.each.loss_db[place]))
    assert row.loss_alone_db == pytest.approx(best, rel=0.01)
    assert row.loss_alone_db < row.loss_db


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
