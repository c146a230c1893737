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
from sim.foundations.errors import ScenarioError
from sim.scenario.gallery import find
from sim.scenario.model import load_scenario

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
    outcome = mirrorloop("check", case)
    assert outcome.exit_code != 2 and "record: shake.csv" in outcome.stdout


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


def test_an_existing_folder_is_kept_unless_overwrite_is_asked_for(tmp_path):
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
        "--set", "duration_ms=120000",
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
    case = tmp_path / "short.toml"
    drift = "kind='drift'\nsigma_urad=20\ncorrelation_s=0.001\nstart='zero'\n"
    case.write_text(f"base = 'single_mirror_step'\n[[disturbances]]\n{drift}", encoding="utf-8")
    outcome = mirrorloop(command, case, *out)
    assert outcome.exit_code == 2, outcome.output
    assert not (tmp_path / "out").exists()
    (line,) = outcome.stderr.splitlines()
    assert "short.toml: disturbances.0: drift: correlation_s must be" in line


def test_every_fault_of_several_names_the_file_and_options_name_themselves(tmp_path):
    outcome = mirrorloop(
        "check", "harrow_point_earthquake", "--set", "controller.foo=1", "--set", "controller.bar=2"
    )
    lines = outcome.stderr.splitlines()
    assert len(lines) == 2
    assert lines[0].startswith("error: --set controller.foo=1: controller.foo: unknown key")
    assert lines[1].startswith("--set controller.bar=2: controller.bar: unknown key")
    outcome = mirrorloop(
        "margins", "harrow_point_earthquake", "--out", tmp_path / "out", "--at", "900"
    )
    assert outcome.exit_code == 2
    assert outcome.stderr.startswith("error: --at: a frequency must be above 0")
    outcome = mirrorloop(
        "tune", "harrow_point_reconfigure", "--out", tmp_path / "out", "--vary", "foo=1..2"
    )
    assert outcome.stderr.count("controller") == 1, outcome.stderr
    assert not (tmp_path / "out").exists()


NOTCH = 'kind="notch", frequency_hz=[700.0, 760.0], quality=2.0'
PID = "[controller]\nkind = 'pid'\nproportional = 0.1\nintegral_per_frame = 0.1\n" \
      "derivative_frames = 0\nderivative_filter_frames = 1\n"  # fmt: skip


@pytest.mark.parametrize(
    ("text", "key", "words"),
    [
        (PID + f"sections = [{{{NOTCH.replace('2.0', '-2.0')}}}]", "controller.sections.0.quality",
         "greater than or equal to 0.05"),
        (PID + f"sections = [{{{NOTCH}, flor=1}}]", "controller.sections.0.flor",
         'unknown key. Did you mean "floor"'),
        (PID + 'sections = [{kind="notch", quality=2.0}]', "controller.sections.0.frequency_hz",
         "required, but missing"),
        ('[[disturbances]]\nkind = "thermal"\nbench_tau_s = 1\nsensor_tau_s = 1\n'
         '[disturbances.ambient]\nshape = "step"\nchange_k = "hot"\nat_s = 0',
         "disturbances.0.ambient.change_k", "number"),
        ('[[switch.moves]]\nat_ms = 50\nconnections = [[5, "x"]]',
         "switch.moves.0.connections.0.1", "integer"),
    ],
)  # fmt: skip
def test_a_fault_inside_a_union_names_the_key_that_was_written(text, key, words, tmp_path):
    case = tmp_path / "case.toml"
    case.write_text(f'base = "single_mirror_step"\n{text}\n', encoding="utf-8")
    outcome = mirrorloop("check", case)
    assert outcome.exit_code == 2
    lines = [line for line in outcome.stderr.splitlines() if f"{key}: " in line]
    assert lines and words in lines[0], outcome.stderr


@pytest.mark.parametrize(
    ("override", "fault"),
    [
        ("mirror.qualty=[8,8]", 'mirror.qualty: unknown key. Did you mean "quality"'),
        ("camra.signal_e=5", 'camra: unknown key. Did you mean "camera"'),
        ("controller.kind=pi", "controller.proportional: required, but missing"),
        ("camera.frame_hz=999", "camera.frame_hz: must divide"),
    ],
)
def test_a_fault_of_an_option_blames_the_option_and_not_the_file(override, fault, tmp_path):
    more = ["--set", "controller.kind=open_loop"] if override == "controller.kind=pi" else []
    outcome = mirrorloop("check", "single_mirror_step", *more, "--set", override)
    assert outcome.exit_code == 2
    assert f"error: --set {override}: {fault}" in outcome.stderr
    assert "single_mirror_step.toml" not in outcome.stderr


def test_a_fault_of_the_file_stays_the_files_among_options(tmp_path):
    case = tmp_path / "case.toml"
    case.write_text('base = "single_mirror_step"\n[mirror]\nqualty = 1\n', encoding="utf-8")
    outcome = mirrorloop("check", case, "--set", "mirror.alignment_urad=1", "--set", "seed=4")
    assert "case.toml: mirror.qualty: unknown key" in outcome.stderr


def test_a_base_is_found_by_its_name_in_the_gallery(tmp_path):
    case = tmp_path / "case.toml"
    case.write_text('base = "harrow_point"\ntitle = "x"\nduration_ms = 300', encoding="utf-8")
    assert mirrorloop("check", case).exit_code == 0
    case.write_text('base = "harow_point"', encoding="utf-8")
    outcome = mirrorloop("check", case)
    assert outcome.exit_code == 2
    assert 'harow_point: cannot be read' in outcome.stderr
    assert 'Did you mean "harrow_point"?' in outcome.stderr


def test_twenty_thousand_faults_are_a_short_message_at_once(tmp_path):
    began = time.process_time()
    with pytest.raises(ScenarioError) as caught:
        load_scenario(
            find("single_mirror_step"),
            [f"requirements.response_spectrum=[{','.join(['[1,1]'] * 20_000)}]"],
        )
    lines = str(caught.value).split("\n")
    assert len(lines) == 21 and lines[-1].endswith("and 19980 more")
    assert max(map(len, lines)) < 400 and time.process_time() - began < 10
