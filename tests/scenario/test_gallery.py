"""Every shipped case runs, short, and files a result folder that stands alone."""

import json

import numpy as np
import pytest
from click.testing import CliRunner

from sim.cli.main import cli
from sim.scenario.gallery import cases
from sim.scenario.model import load_scenario

SHORT = {
    "harrow_point_calibrated": ["duration_ms=160", "metrics.hold_from_ms=140"],
    "harrow_point_calibrated_fixed_point": ["duration_ms=130", "metrics.hold_from_ms=120"],
    "harrow_point_cooling_failure": ["duration_ms=1500", "metrics.hold_from_ms=500"],
    "harrow_point_earthquake": ["duration_ms=800", "metrics.hold_from_ms=500"],
    "harrow_point_fixed_point": ["duration_ms=160", "metrics.hold_from_ms=140"],
    "harrow_point_half_sine": ["duration_ms=160"],
    "harrow_point_hot_swap": [
        "duration_ms=120", "metrics.hold_from_ms=100", "switch.geometry.ports_per_side=18",
        "switch.geometry.columns=6", "events.0.board=A-2", "events.0.at_ms=20",
        "events.0.for_ms=20",
    ],
    "harrow_point_reconfigure": ["duration_ms=160", "metrics.hold_from_ms=140"],
    "harrow_point_rewire": ["duration_ms=160", "metrics.hold_from_ms=140"],
    "harrow_point_switch": ["duration_ms=160", "metrics.hold_from_ms=140"],
    "harrow_point_watch": ["duration_ms=160", "metrics.hold_from_ms=140"],
    "harrow_point_life": ["duration_ms=160", "metrics.hold_from_ms=140"],
    "single_mirror_step": ["duration_ms=90", "metrics.hold_from_ms=70"],
}  # fmt: skip


def no_nan(value):
    if isinstance(value, dict):
        return all(no_nan(v) for v in value.values())
    if isinstance(value, list):
        return all(no_nan(v) for v in value)
    return not (isinstance(value, float) and not np.isfinite(value))


@pytest.mark.parametrize("case", cases(), ids=lambda case: case.name)
def test_a_case_runs_and_its_folder_is_self_contained(case, tmp_path):
    sets = [word for text in SHORT[case.name] for word in ("--set", text)]
    outcome = CliRunner().invoke(cli, ["run", case.name, "--out", str(tmp_path / "a"), *sets])
    assert outcome.exit_code in (0, 1), outcome.output
    folder = tmp_path / "a"
    results = json.loads((folder / "results.json").read_text(encoding="utf-8"))
    assert no_nan(results)
    for group, keys in {
        "settling": ("tolerance_urad", "count", "unsettled", "median_ms", "p95_ms", "max_ms"),
        "pointing": ("rms_urad", "p99_urad", "max_urad", "bias_urad", "jitter_urad"),
        "coupling": (
            "mean_db", "p99_db", "max_db", "excess_mean_db", "excess_max_db", "outage_ms",
        ),
        "provenance": ("version", "seed", "python", "packages", "started", "wall_s"),
    }.items():  # fmt: skip
        assert set(keys) <= set(results[group]), group
    assert all(set(row) == {"name", "limit", "value", "met"} for row in results["limits"])
    page = (folder / "report.html").read_text(encoding="utf-8")
    assert "http://" not in page.replace("http://www.w3.org", "")
    assert "does not replace measurement" in page
    with np.load(folder / "traces.npz") as traces:
        assert traces["error_rad"].shape[0] == len(traces["time_s"])

    # The resolved scenario beside it gives the same traces again.
    again = CliRunner().invoke(
        cli, ["run", str(folder / "scenario.toml"), "--out", str(tmp_path / "b")]
    )
    assert again.exit_code == outcome.exit_code, again.output
    with np.load(folder / "traces.npz") as a, np.load(tmp_path / "b" / "traces.npz") as b:
        assert a.files == b.files
        for name in a.files:
            np.testing.assert_array_equal(a[name], b[name], err_msg=name)


def test_every_case_opens_with_its_question():
    for case in cases():
        scenario = load_scenario(case.path)
        assert "?" in scenario.question
        assert "xpect" in scenario.question


def test_list_names_every_case():
    outcome = CliRunner().invoke(cli, ["list"])
    assert outcome.exit_code == 0
    for case in cases():
        assert f"{case.name} " in outcome.output
