"""The command `yield`: its files, its contract and its exit codes."""

import json

import numpy as np
import pytest
from click.testing import CliRunner

from sim.cli.main import cli
from sim.foundations.errors import OutputError
from sim.studies.connections.taken_over import servo_of_run

SMALL = ["--set", "switch.geometry.ports_per_side=24", "--set", "switch.geometry.columns=6",
         "--set", "switch.budget.ports_in_service=22"]  # fmt: skip


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    out = tmp_path_factory.mktemp("yield") / "out"
    outcome = CliRunner().invoke(
        cli, ["yield", "harrow_point_switch", "--out", str(out), "--switches", "30",
              "--tolerances", "4", *SMALL],
    )  # fmt: skip
    assert outcome.exit_code in (0, 1), outcome.output
    assert "of 30 built switches" in outcome.output
    return out


def test_the_contract_of_the_file(folder):
    r = json.loads((folder / "yield.json").read_text())
    assert r["switches"] == 30
    for key in ("share_of_switches_met", "share_of_connections_met"):
        share = r[key]
        assert 0.0 <= share["low"] <= share["value"] <= share["high"] <= 1.0
    assert r["share_met_with_spares"]["value"] >= r["share_of_switches_met"]["value"]
    table = np.loadtxt(folder / "switches.csv", delimiter=",", skiprows=1)
    assert table.shape == (30, 9)
    assert table[0, 0] == 20 and table[:, 4].max() == pytest.approx(r["late_worst_db"]["max"],
                                                                    abs=1e-5)  # fmt: skip
    page = (folder / "report.html").read_text()
    assert "What to buy down first" in page and page.count("<figure>") == 2


def test_a_poor_population_ends_with_1(tmp_path):
    outcome = CliRunner().invoke(
        cli, ["yield", "harrow_point_switch", "--out", str(tmp_path / "o"), "--switches", "4",
              "--tolerances", "0", "--set", "switch.budget.acceptance_db=0.8", *SMALL],
    )  # fmt: skip
    assert outcome.exit_code == 1, outcome.output
    assert "4 by the acceptance limit" in outcome.output


def test_a_case_without_a_budget_is_refused(tmp_path):
    outcome = CliRunner().invoke(
        cli, ["yield", "harrow_point_half_sine", "--out", str(tmp_path / "o")]
    )
    assert outcome.exit_code == 2
    assert "switch.budget: required for yield" in outcome.output
    assert not (tmp_path / "o").exists()


def test_the_servos_error_can_come_from_a_run(tmp_path):
    run = tmp_path / "run"
    run.mkdir()
    (run / "results.json").write_text('{"pointing": {"rms_urad": 42.426407}}')
    command = ["yield", "harrow_point_switch", "--switches", "2", "--tolerances", "0", *SMALL]
    out = tmp_path / "o"
    outcome = CliRunner().invoke(cli, [*command, "--out", str(out), "--servo-from", str(run)])
    assert outcome.exit_code in (0, 1), outcome.output
    assert "servo_urad = 30.0" in (out / "scenario.toml").read_text()
    outcome = CliRunner().invoke(
        cli, [*command, "--out", str(tmp_path / "p"), "--servo-from", str(tmp_path)]
    )
    assert outcome.exit_code == 2 and "no pointing rms of a run" in outcome.output


def test_the_servos_error_can_come_from_a_prediction(tmp_path):
    rows = [{"contributor": "drift", "predicted_urad": 3.0},
            {"contributor": "total", "predicted_urad": 50.0}]  # fmt: skip
    (tmp_path / "prediction.json").write_text(json.dumps(rows))
    # Radial over both axes: 50 urad are 50 / sqrt(2) on each.
    assert servo_of_run(tmp_path) == pytest.approx(35.3553, abs=1e-4)
    (tmp_path / "prediction.json").write_text("[]")
    with pytest.raises(OutputError, match="no prediction"):
        servo_of_run(tmp_path)
