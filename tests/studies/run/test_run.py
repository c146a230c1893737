"""One run and its folder: from Python as from the command, and what is filed of it."""

import json
import os
import subprocess
import sys
import tomllib

import numpy as np
import pytest
from click.testing import CliRunner

from sim.cli.main import cli
from sim.scenario.gallery import find
from sim.scenario.model import load_scenario
from sim.studies.run.make import make_run
from sim.studies.run.provenance import Request
from sim.studies.run.run import run

SHORT = ("duration_ms=40", "switch.moves.0.at_ms=5", "metrics.hold_from_ms=20")


def scenario(*more):
    return load_scenario(find("single_mirror_step"), [*SHORT, *more])


def figures_of(folder):
    """Return what results.json holds but for how and when it was made."""
    tree = json.loads((folder / "results.json").read_text(encoding="utf-8"))
    tree.pop("provenance")
    return tree


def test_the_command_and_python_file_the_same_run(tmp_path):
    words = [word for value in SHORT for word in ("--set", value)]
    done = CliRunner().invoke(
        cli, ["run", "single_mirror_step", *words, "--out", str(tmp_path / "command")]
    )
    assert done.exit_code in (0, 1), done.output
    run(scenario()).write(tmp_path / "python")
    assert figures_of(tmp_path / "command") == figures_of(tmp_path / "python")
    with (
        np.load(tmp_path / "command" / "traces.npz") as one,
        np.load(tmp_path / "python" / "traces.npz") as other,
    ):
        assert one.files == other.files
        for name in one.files:
            np.testing.assert_array_equal(one[name], other[name])


def test_the_filed_scenario_is_whole_and_gives_the_same_figures(tmp_path):
    run(scenario("seed=5")).write(tmp_path / "first")
    filed = tmp_path / "first" / "scenario.toml"
    assert tomllib.loads(filed.read_text(encoding="utf-8"))["seed"] == 5
    run(load_scenario(filed)).write(tmp_path / "again")
    assert figures_of(tmp_path / "first") == figures_of(tmp_path / "again")


def test_what_was_asked_for_is_filed(tmp_path):
    asked = Request(("seed=5",), "mirrorloop run x --set seed=5")
    run(scenario("seed=5"), asked=asked).write(tmp_path / "out")
    origin = json.loads((tmp_path / "out" / "results.json").read_text("utf-8"))["provenance"]
    assert origin["overrides"] == ["seed=5"] and origin["command"] == asked.command
    assert "seed=5" in (tmp_path / "out" / "report.html").read_text("utf-8")


@pytest.mark.parametrize("threads", [1, 2])
def test_figures_do_not_depend_on_threads(threads):
    here = make_run(scenario(), threads=threads, pictures=False)
    assert here.figures == make_run(scenario(), pictures=False).figures


def test_an_earlier_result_is_kept_unless_overwriting_is_asked_for(tmp_path):
    words = [word for value in SHORT for word in ("--set", value)]
    command = ["run", "single_mirror_step", *words, "--out", str(tmp_path / "out")]
    assert CliRunner().invoke(cli, command).exit_code in (0, 1)
    before = (tmp_path / "out" / "results.json").read_bytes()
    again = CliRunner().invoke(cli, command)
    assert again.exit_code == 2 and "--overwrite" in again.stderr
    assert (tmp_path / "out" / "results.json").read_bytes() == before
    assert CliRunner().invoke(cli, [*command, "--overwrite"]).exit_code in (0, 1)


def test_more_threads_than_processors_are_not_used_and_that_is_said(tmp_path, monkeypatch):
    monkeypatch.setattr("sim.kernels.threads.available", lambda: 1)
    short = [word for value in SHORT for word in ("--set", value)]
    done = CliRunner().invoke(
        cli, ["run", "single_mirror_step", "--out", str(tmp_path / "out"), "--threads", "7", *short]
    )
    assert done.exit_code in (0, 1), done.output
    assert "note: --threads 7: this process may use 1 processor, so 1 will do" in done.stderr
    results = json.loads((tmp_path / "out" / "results.json").read_text(encoding="utf-8"))
    assert results["provenance"]["threads"] == 1


def test_a_way_to_see_plots_that_is_not_installed_costs_nothing(tmp_path):
    done = subprocess.run(
        [sys.executable, "-c", "from sim.cli.main import cli; cli()", "run", "single_mirror_step",
         "--out", str(tmp_path / "out"), *(w for value in SHORT for w in ("--set", value))],
        capture_output=True, text=True, env=os.environ | {"MPLBACKEND": "no_such_thing"},
    )  # fmt: skip
    assert done.returncode in (0, 1), done.stderr
    assert (tmp_path / "out" / "report.html").stat().st_size > 10_000
