"""`mirrorloop estimators` from outside: files, keys, exit codes."""

import csv
import json

import numpy as np
import pytest
from click.testing import CliRunner

from sim.cli.main import cli
from sim.kernels import compiled
from sim.scenario.gallery import find
from sim.scenario.model import load_scenario
from sim.studies.estimators import run as comparison_run
from sim.studies.estimators.cases import judged_points, nominal
from sim.studies.estimators.frames import frames_of
from sim.studies.estimators.in_loop import first_part

KEYS = {
    "estimator", "signal_e", "spot_sigma_px", "background_e", "read_noise_e", "window_px",
    "bias_rms_px", "scatter_px", "bound_px", "failure_rate", "time_us",
}  # fmt: skip
FLEET = ("--set", "processor.multiply_adds_per_us=8000", "--weight", "spill=0.1")
CASE = "harrow_point_reconfigure"


def mirrorloop(*args):
    return CliRunner().invoke(cli, ["estimators", *map(str, args)])


@pytest.fixture(scope="module")
def few_points():
    """Run few of the points: one of each axis, and those that the page's table needs."""
    wanted = {"nominal": 1, "ghost": 3, "phase": 2, "offset": 2}
    keep = pytest.MonkeyPatch()

    def few(camera):
        seen = {}
        for case in judged_points(camera):
            seen.setdefault(case.axis, []).append(case)
        return [c for axis, found in seen.items() for c in found[: wanted.get(axis, 1)]]

    keep.setattr(comparison_run, "judged_points", few)
    yield
    keep.undo()


@pytest.fixture(scope="module")
def folder(tmp_path_factory, few_points):
    """Return the folder of one run of the command, with a short loop."""
    out = tmp_path_factory.mktemp("comparison") / "out"
    result = mirrorloop(CASE, "--out", out, "--loop-ms", 40, "--seeds", 2, *FLEET)
    assert result.exit_code == 0, result.output
    assert "recommendation: " in result.stdout
    assert "points: " in result.stderr and "seeds: 2 of 2" in result.stderr
    assert "points: " not in result.stdout
    return out


def test_the_rows_have_their_keys_in_json_and_csv(folder):
    rows = json.loads((folder / "estimators.json").read_text(encoding="utf-8"))
    assert isinstance(rows, list)
    assert all(row.keys() >= KEYS for row in rows)
    with (folder / "estimators.csv").open(newline="", encoding="utf-8") as file:
        lines = list(csv.DictReader(file))
    assert len(lines) == len(rows)
    assert lines[0]["window_px"] == "24x24"
    for line, row in zip(lines, rows, strict=True):
        assert line["estimator"] == row["estimator"]
        value = row["scatter_px"]
        assert line["scatter_px"] == "" if value is None else float(line["scatter_px"]) == value


def test_the_summary_holds_loop_settings_and_choice(folder):
    summary = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
    names = list(summary["settings"])
    late = {"gaussian_fit", "poisson_fit"}
    assert [row["estimator"] for row in summary["loop"]] == [n for n in names if n not in late]
    # By hand: 123 212 multiply-adds x 192 spots / 8000 per us = 2957 us, 700 us are there.
    assert summary["recommendation"]["passed_over"]["poisson_fit"].startswith("late: 2957 us")
    latency = {row["estimator"]: row["latency_us"] for row in summary["loop"]}
    assert latency["thresholded_centroid"] == pytest.approx(2920 * 192 / 8000)
    assert summary["recommendation"]["sets"] == len(summary["seeds"]) == 2
    assert all(row["rms_urad"] > 0 for row in summary["loop"])
    assert summary["recommendation"]["estimator"] in names
    assert summary["loop_ms"] == 40
    assert set(summary["recommendation"]["passed_over"]) < set(names)


def test_the_page_is_whole_and_loads_nothing(folder):
    page = (folder / "report.html").read_text(encoding="utf-8")
    assert "Recommendation: " in page
    assert "<script" not in page and "http" not in page.replace("http-equiv", "")
    assert page.count("<img") == 2


def test_one_point_is_quick_and_recommends_nothing(tmp_path):
    out = tmp_path / "out"
    result = mirrorloop(CASE, "--out", out, "--points", "motion=0.5")
    assert result.exit_code == 0, result.output
    assert "motion 0.5:" in result.stdout and "recommendation" not in result.stdout
    rows = json.loads((out / "estimators.json").read_text(encoding="utf-8"))
    assert {row["axis"] for row in rows} == {"nominal", "motion"}
    assert "No recommendation" in (out / "report.html").read_text(encoding="utf-8")


def test_a_folder_is_kept_unless_asked(folder):
    before = (folder / "estimators.json").read_bytes()
    result = mirrorloop(CASE, "--out", folder)
    assert result.exit_code == 2
    assert "Give --overwrite" in result.stderr
    assert (folder / "estimators.json").read_bytes() == before


def test_recorded_frames_with_truth(tmp_path, demo):
    frames = frames_of(nominal(demo), 0, 11, compiled)
    np.save(tmp_path / "f.npy", frames.with_spot_dn[:64])
    truth = "\n".join(["x_px,y_px", *(f"{x},{y}" for x, y in frames.truth_px[:64])])
    (tmp_path / "t.csv").write_text(truth, encoding="utf-8")
    out = tmp_path / "out"
    result = mirrorloop(
        CASE, "--out", out, "--frames", tmp_path / "f.npy", "--truth", tmp_path / "t.csv"
    )
    assert result.exit_code == 0, result.output
    rows = json.loads((out / "estimators.json").read_text(encoding="utf-8"))
    assert all(row.keys() >= KEYS and row["axis"] == "recorded" for row in rows)
    lines = (out / "readings.csv").read_text(encoding="utf-8").splitlines()
    assert lines[0] == "frame,estimator,x_px,y_px,flux_dn,status"
    assert len(lines) == 1 + 64 * len(rows)
    assert "Against the truth" in (out / "report.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("args", "message"),
    [
        (["--truth", "t.csv"], "--truth needs --frames"),
        (["--frames", "nowhere.npy"], "nowhere.npy: no such file or folder of frames"),
        (["--set", "estimator.kind=centroyd"], 'unknown estimator "centroyd"'),
        (["--set", "camera.bits=40"], "camera.bits"),
        (["--weight", "ghosts=1"], "ghosts"),
        (["--axes", "ghosts"], 'unknown axis "ghosts"'),
    ],
)
def test_bad_input_is_one_message_and_exit_2(tmp_path, args, message):
    out = tmp_path / "out"
    result = mirrorloop(CASE, "--out", out, *args)
    assert result.exit_code == 2
    assert message in result.stderr
    assert "Traceback" not in result.output
    assert not out.exists()


def test_a_run_is_shortened_without_putting_a_move_into_the_hold_interval():
    scenario = load_scenario(find(CASE))
    whole = first_part(scenario, 1e6)
    assert whole == scenario
    most = first_part(scenario, 300.0)
    assert (most.metrics.hold_from_ms, len(most.switch.moves)) == (250.0, 1)
    little = first_part(scenario, 60.0)
    assert (little.duration_ms, little.metrics.hold_from_ms) == (60.0, 30.0)
    assert little.switch.moves == ()
