"""The `sweep` command: what it prints and how it ends."""

import pytest
from click.testing import CliRunner

from sim.cli.main import cli
from sim.cli.sweep import progress, time_left
from tests.studies.sweep.cases import NAME, QUICK

SET = [word for value in QUICK for word in ("--set", value)]


def invoke(*words):
    return CliRunner().invoke(cli, ["sweep", NAME, *SET, *map(str, words)])


def test_a_sweep_with_failed_runs_is_finished_and_says_so(tmp_path):
    out = tmp_path / "out"
    words = ("--vary", "shaping.kind=none,minimum_jerk", "--workers", 1, "--out", out)
    first = invoke(*words)
    assert first.exit_code == 2
    assert "2 runs (2 points x 1 seed)" in first.stdout and "1 could not be done" in first.stdout
    assert "error: run 1: shaping.duration_ms: required, but missing" in first.stderr
    table = (out / "table.csv").read_bytes()
    again = invoke(*words)
    assert again.exit_code == 2 and "of 2 runs" not in again.stderr  # nothing was left to do
    assert (out / "table.csv").read_bytes() == table
    other = invoke(*words, "--seeds", 2)
    assert other.exit_code == 2
    assert "holds another sweep; seeds: 1 there, 2 asked for" in other.stderr
    assert (out / "table.csv").read_bytes() == table


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("--vary", "camera.bits=1..2"), "error: --vary camera.bits=1..2: a range needs /COUNT"),
        (("--cluster", "tcp://x:1", "--workers", 2), "--cluster: the cluster has its own workers"),
        (("--vary", "camera.bitss=8"), "camera.bitss: unknown key"),
    ],
)
def test_bad_input_is_one_message_and_leaves_nothing(tmp_path, words, message):
    result = invoke(*words, "--out", tmp_path / "out")
    assert result.exit_code == 2 and message in result.stderr
    assert "Traceback" not in result.output and not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("done", "left", "elapsed", "words"),
    [
        (0, 5, 3.0, "time left not known yet"),
        (5, 0, 3.0, "done"),
        (2, 6, 4.0, "about 12 s left"),
        (1, 10, 60.0, "about 10 min left"),
        (1, 100, 3600.0, "about 100.0 h left"),
    ],
)
def test_time_left(done, left, elapsed, words):
    assert time_left(done, left, elapsed) == words


def test_start_up_is_not_taken_for_pace(monkeypatch, capsys):
    now = [0.0]
    monkeypatch.setattr("sim.cli.sweep.time.perf_counter", lambda: now[0])
    with progress() as tell:
        for seconds, done in ((0, 10), (100, 11), (105, 12), (120, 13)):
            now[0] = seconds
            tell(10, done, 20)
    said = capsys.readouterr().err.splitlines()
    # Two runs in the 20 s after the first: 7 more take 70 s.
    assert said[-1] == "13 of 20 runs, about 70 s left"
    assert said[1] == "11 of 20 runs, time left not known yet"
