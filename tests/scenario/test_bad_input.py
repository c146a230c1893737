"""What a user can get wrong: one clear message each, exit code 2, nothing written, nothing lost."""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from click.testing import CliRunner

from sim.cli.main import cli

CSV_HEAD = "time_s,x_g\n"


def mirrorloop(*arguments):
    return CliRunner().invoke(cli, [str(a) for a in arguments])


def record(tmp_path, rows, **settings):
    """A scenario whose base is played from a CSV of these rows."""
    (tmp_path / "shake.csv").write_text(CSV_HEAD + "".join(rows), encoding="utf-8")
    keys = {
        "kind": '"record"', "file": '"shake.csv"', "units": '"g"', "time_column": '"time_s"',
        "columns": '["x_g", "", ""]', "start_at_ms": "0", "remove_mean": "false",
    } | settings  # fmt: skip
    base = Path(__file__).parents[2] / "scenarios" / "single_mirror_step.toml"
    text = f'base = "{base.as_posix()}"\n[[disturbances]]\n'
    text += "".join(f"{key} = {value}\n" for key, value in keys.items())
    path = tmp_path / "case.toml"
    path.write_text(text, encoding="utf-8")
    return path


def samples(n=400, rate_hz=200.0):
    return [f"{i / rate_hz:.6f},{0.01 * (-1) ** i:.4f}\n" for i in range(n)]


@pytest.mark.parametrize(
    ("override", "words"),
    [
        ("camera.signl_e=5", ["camera.signl_e", "unknown key", '"signal_e"']),
        ("mirorr.quality=[8,8]", ["mirorr", "unknown key", '"mirror"']),
        ("camera.signal_e='many'", ["camera.signal_e", "number", "many"]),
        ("camera.signal_e=-1", ["camera.signal_e", "greater than or equal to 0", "-1"]),
        ("camera.exposure_us=1200", ["camera.exposure_us", "frame period", "1000", "1200"]),
        ("camera.frame_hz=999", ["camera.frame_hz", "divide", "20000", "999"]),
        ("duration_ms=0.5", ["duration_ms", "at least one frame", "0.5"]),
        ("duration_ms=0", ["duration_ms", "greater than 0"]),
        ("estimator.kind=thresholded_centriod", ["estimator", "thresholded_centroid"]),
        ("controller.kind=pid_", ["controller", '"pid"', "Known"]),
        ("controller.kind=nowhere:Thing", ["controller", "cannot be loaded", "nowhere"]),
        ("controller.gain=1", ["controller", "gain", "unknown key"]),
        ("switch.connections=[[5,96]]", ["switch.connections", "below", "96"]),
        ("switch.connections=[[5,5],[6,5]]", ["switch.connections", "output port 5", "2 times"]),
        ("switch.connections=[[5,5],[5,6]]", ["switch.connections", "input port 5", "2 times"]),
        ("switch.moves.0.connections=[[4,6]]", ["switch.moves.0", "same inputs"]),
        ("switch.moves.0.at_ms=500", ["switch.moves.0.at_ms", "inside the run", "500"]),
        ("mirror.travel_mrad=[3,3]", ["mirror.travel_mrad", "beyond", "mrad"]),
        ("drive.full_scale_mrad=4", ["drive.full_scale_mrad", "beyond", "mrad"]),
        ("metrics.hold_from_ms=500", ["metrics.hold_from_ms", "sampling interval", "500"]),
        ("camera.read_noise_e=0", ["noise", "read_noise_e", "exact"]),
        ("camera", ["--set", "key=value"]),
        ("seed.x=1", ["--set", "single value"]),
    ],
)
def test_a_wrong_value_names_key_rule_and_value(override, words, tmp_path):
    outcome = mirrorloop("run", "single_mirror_step", "--out", tmp_path / "out", "--set", override)
    assert outcome.exit_code == 2, outcome.output
    assert not (tmp_path / "out").exists()
    assert outcome.stderr.startswith("error: ")
    for word in words:
        assert word in outcome.stderr, outcome.stderr


@pytest.mark.parametrize(
    ("rows", "settings", "words"),
    [
        (samples()[:50] + samples()[80:], {}, ["gap"]),
        ([*samples()[:99], "0.495,nan\n", *samples()[100:]], {}, ["finite", "nan"]),
        ([*samples()[:99], "0.100,0.0\n", *samples()[100:]], {}, ["line 101", "time must rise"]),
        (samples(), {"units": '"furlong"'}, ["units", "furlong"]),
        (samples(), {"columns": '["x_gg", "", ""]'}, ["x_gg", "x_g"]),
        (samples(rate_hz=20.0), {}, ["20"]),
        (samples(), {"file": '"shaek.csv"'}, ["shaek.csv"]),
    ],
    ids=["gap", "nan", "decreasing", "unit", "column", "slow", "missing"],
)
def test_a_bad_record_names_file_and_row(rows, settings, words, tmp_path):
    case = record(tmp_path, rows, **settings)
    outcome = mirrorloop("run", case, "--out", tmp_path / "out")
    assert outcome.exit_code == 2, outcome.output
    assert not (tmp_path / "out").exists()
    for word in [*words, "shake.csv" if "file" not in settings else "shaek.csv"][:3]:
        assert word in outcome.stderr, outcome.stderr


def test_a_good_record_runs(tmp_path):
    case = record(tmp_path, samples())
    assert mirrorloop("check", case).exit_code == 0


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("seed = [", ["not valid TOML"]),
        ('base = "case.toml"', ["circle", "case.toml -> case.toml"]),
        ('base = "gone.toml"', ["gone.toml", "cannot be read"]),
        ("base = 3", ["base", "3"]),
        ("seed = 1", ["title", "required", "camera"]),
    ],
)
def test_a_bad_file_is_named(text, words, tmp_path):
    path = tmp_path / "case.toml"
    path.write_text(text, encoding="utf-8")
    outcome = mirrorloop("check", path)
    assert outcome.exit_code == 2
    for word in ["case.toml", *words]:
        assert word in outcome.stderr, outcome.stderr


def test_an_unknown_case_gets_the_nearest_name():
    outcome = mirrorloop("check", "harrow_point_earthquak")
    assert outcome.exit_code == 2
    assert 'Did you mean "harrow_point_earthquake"?' in outcome.stderr


def test_an_existing_folder_is_kept_unless_told_otherwise(tmp_path):
    out = tmp_path / "out"
    run = ("run", "single_mirror_step", "--out", out, "--set", "traces.sample_hz=1000")
    assert mirrorloop(*run).exit_code == 0
    before = (out / "results.json").read_bytes()
    refused = mirrorloop(*run, "--seed", "7")
    assert refused.exit_code == 2
    assert "--overwrite" in refused.stderr
    assert (out / "results.json").read_bytes() == before
    assert mirrorloop(*run, "--seed", "7", "--overwrite").exit_code == 0
    assert (out / "results.json").read_bytes() != before
    assert sorted(p.name for p in tmp_path.iterdir()) == ["out"]


def test_a_folder_of_something_else_is_never_replaced(tmp_path):
    (tmp_path / "letters.txt").write_text("dear", encoding="utf-8")
    outcome = mirrorloop("run", "single_mirror_step", "--out", tmp_path, "--overwrite")
    assert outcome.exit_code == 2
    assert (tmp_path / "letters.txt").read_text(encoding="utf-8") == "dear"


def test_a_missed_limit_is_exit_code_one(tmp_path):
    outcome = mirrorloop(
        "run", "single_mirror_step", "--out", tmp_path / "out",
        "--set", "limits.settling_max_ms=0.1", "--set", "traces.sample_hz=1000",
    )  # fmt: skip
    assert outcome.exit_code == 1
    assert "MISSED" in outcome.stdout
    assert (tmp_path / "out" / "results.json").exists()


@pytest.mark.skipif(sys.platform == "win32", reason="needs POSIX signals")
def test_ctrl_c_stops_cleanly_and_leaves_nothing(tmp_path):
    command = [
        sys.executable, "-c", "from sim.cli.main import cli; cli()", "run",
        "harrow_point_cooling_failure", "--out", str(tmp_path / "out"),
    ]  # fmt: skip
    root = Path(__file__).parents[2]
    process = subprocess.Popen(
        command, stderr=subprocess.PIPE, text=True, cwd=root, env=os.environ | {"TERM": "dumb"}
    )
    time.sleep(5.0)
    assert process.poll() is None, "the run ended before it could be interrupted"
    process.send_signal(signal.SIGINT)
    _, errors = process.communicate(timeout=60)
    assert process.returncode == 2, errors
    assert "interrupted; nothing was written" in errors
    assert "Traceback" not in errors
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "command", ["check", "run", "margins", "tune", "predict", "sensitivity", "estimators"]
)
def test_every_command_names_the_file_whose_parts_cannot_be_made(command, tmp_path):
    out = () if command == "check" else ("--out", tmp_path / "out")
    outcome = mirrorloop(
        command, "harrow_point_earthquake", *out, "--set", "disturbances.1.correlation_s=0.001"
    )
    assert outcome.exit_code == 2, outcome.output
    assert not (tmp_path / "out").exists()
    (line,) = outcome.stderr.splitlines()
    assert "harrow_point_earthquake.toml: disturbances.1: drift: correlation_s must be" in line


def test_every_fault_of_several_names_the_file_and_options_name_themselves(tmp_path):
    outcome = mirrorloop(
        "check", "harrow_point_earthquake", "--set", "controller.foo=1", "--set", "controller.bar=2"
    )
    lines = outcome.stderr.splitlines()
    assert len(lines) == 2
    assert all("harrow_point_earthquake.toml: controller" in line for line in lines)
    outcome = mirrorloop(
        "margins", "harrow_point_earthquake", "--out", tmp_path / "out", "--at", "900"
    )
    assert outcome.exit_code == 2
    assert outcome.stderr.startswith("error: --at: a frequency must be above 0")
    outcome = mirrorloop(
        "tune", "harrow_point_reconfigure", "--out", tmp_path / "out", "--vary", "foo=1:2"
    )
    assert outcome.stderr.count("controller") == 1, outcome.stderr
    assert not (tmp_path / "out").exists()
