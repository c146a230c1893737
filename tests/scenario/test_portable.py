"""A filed scenario runs elsewhere: what it reads lies beside it."""

import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

from sim.cli.main import cli
from sim.scenario.model import load_scenario
from sim.scenario.portable import copy_files, portable

SCENARIOS = Path(__file__).parents[2] / "scenarios"


def mirrorloop(*arguments):
    return CliRunner().invoke(cli, [str(a) for a in arguments])


@pytest.mark.parametrize("command", ["run", "margins"])
def test_a_filed_scenario_runs_where_its_origin_is_gone(command, tmp_path):
    origin = tmp_path / "origin"
    shutil.copytree(SCENARIOS, origin)
    out = tmp_path / "out"
    done = mirrorloop(
        command, origin / "harrow_point_earthquake.toml", "--out", out,
        "--set", "duration_ms=600", "--set", "metrics.hold_from_ms=100",
        "--set", "switch.geometry.ports_per_side=8", "--set", "switch.geometry.columns=4",
    )  # fmt: skip
    # Cut short, most of the record does not play: `run` says so, and ends as for a missed limit.
    assert done.exit_code == (1 if command == "run" else 0), done.output
    shutil.rmtree(origin)
    moved = tmp_path / "elsewhere"
    out.rename(moved)
    again = mirrorloop("check", moved / "scenario.toml")
    assert again.exit_code in (0, 1), again.output
    copy = moved / "profiles" / "ridgecrest_2019_ciccc.csv"
    assert copy.read_bytes() == (SCENARIOS / "profiles" / copy.name).read_bytes()


def test_files_of_one_name_do_not_collide_and_one_file_is_copied_once(tmp_path):
    source = SCENARIOS / "profiles" / "ridgecrest_2019_ciccc.csv"
    for folder in ("a", "b"):
        (tmp_path / folder).mkdir()
        shutil.copyfile(source, tmp_path / folder / "shake.csv")
    scenario = load_scenario(SCENARIOS / "harrow_point_earthquake.toml")
    record = dict(scenario.disturbances[0])
    (tmp_path / "c").mkdir()
    shutil.copyfile(source, tmp_path / "c" / "2_shake.csv")
    files = [str(tmp_path / f) for f in ("a/shake.csv", "b/shake.csv", "a/shake.csv",
                                         "c/2_shake.csv")]  # fmt: skip
    scenario = scenario.replace(disturbances=[record | {"file": file} for file in files])
    copy_files(scenario, tmp_path)
    names = [tree["file"] for tree in portable(scenario)["disturbances"]]
    assert names == ["profiles/shake.csv", "profiles/2_shake.csv", "profiles/shake.csv",
                     "profiles/2_2_shake.csv"]  # fmt: skip
    assert sorted(p.name for p in (tmp_path / "profiles").iterdir()) == [
        "2_2_shake.csv", "2_shake.csv", "shake.csv",
    ]  # fmt: skip
