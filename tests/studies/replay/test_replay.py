"""Replay of one switch of two mirrors, whose margin follows from the equation of motion."""

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from sim.cli.main import cli
from sim.foundations.errors import ScenarioError
from sim.scenario.model import load_scenario
from sim.studies.replay.events import (
    cases_of,
    own_events,
    parse_profile,
    with_event,
    without_events,
)
from sim.studies.replay.study import replay

ROOT = Path(__file__).parents[3]
ONE = ROOT / "tests" / "one_mirror.toml"
G = 9.80665
IMBALANCE = "mirror.imbalance_rad_s2_per_m_s2=[[2000.0, 0.0, 0.0], [0.0, 0.0, 0.0]]"
PULSE = "shock:pulse=half_sine,peak_g=1,duration_ms=11"


def scenario(*more):
    return load_scenario(ONE, (IMBALANCE, "limits.max_urad=200.0", *more))


def test_margin_of_an_imbalance_is_the_one_of_a_spring():
    # An 11 ms pulse is slow against 8 kHz: tilt = I a/w^2 (and 1 + (pi/(w D))^2 at most, 1e-4).
    # 200 urad are reached at w^2 200e-6/(2000 g) = 25.77 g.
    found = replay(scenario(), [parse_profile(PULSE)], levels=(10.0,), loops=("open",),
                   margin_loops=("open",), seeds=2, closeness=1.01)  # fmt: skip
    exact = (2 * np.pi * 8000.0) ** 2 * 200e-6 / (2000.0 * G)
    (row,) = found.margins
    assert row["factor_low"] <= exact * 1.003 and row["factor_high"] >= exact * 0.997
    assert row["factor"] == pytest.approx(exact, rel=0.012)
    assert row["monotone"] and row["mechanism"].startswith("the mirrors' imbalance")
    (case,) = found.cases
    want = 1e6 * 2000.0 * 10.0 * G / (2 * np.pi * 8000.0) ** 2
    assert case["figures"]["peak_error_urad"] == pytest.approx(want, rel=5e-3)
    assert case["verdict"] == "met" and case["figures"]["recovery_ms"] == 0.0
    # Along y the imbalance has no arm.
    still = replay(scenario(), [parse_profile(PULSE)], axes=("y",), levels=(10.0,),
                   loops=("open",), margin_loops=(), seeds=1)  # fmt: skip
    assert still.cases[0]["figures"]["peak_error_urad"] < 0.01 * want


def test_the_bracket_is_named_where_it_is_to_blame():
    bent = scenario(
        "bracket={resonance_hz=400.0, quality=10.0, "
        "sensitivity_urad_per_m_s2=[[5.0, 0.0, 0.0], [0.0, 0.0, 0.0]]}"
    )
    found = replay(bent, [parse_profile(PULSE)], levels=(5.0,), loops=("closed", "open"), seeds=1,
                   closeness=1.1)  # fmt: skip
    (row,) = found.margins
    assert row["mechanism"].startswith("the camera's bracket")
    closed, opened = (case["figures"]["peak_error_urad"] for case in found.cases)
    assert closed > 2 * opened  # the loop follows what it should not


def test_a_dark_camera_holds_what_was_commanded():
    found = replay(scenario(), [parse_profile(PULSE)], levels=(10.0,), margin_loops=(), seeds=1)
    figures = {case["loop"]: case["figures"] for case in found.cases}
    assert figures["dark"]["lost_frames"] == 200  # two mirrors, 100 frames
    assert figures["dark"]["peak_error_urad"] == pytest.approx(
        figures["open"]["peak_error_urad"], rel=1e-6
    )


def test_axis_sense_and_level_are_put_into_the_event():
    background = without_events(scenario())
    profile = parse_profile(PULSE)
    tree = with_event(background, profile, "z", "-", 3.0, "closed").disturbances[0]
    assert (tree["direction"], tree["peak_g"], tree["start_ms"]) == ("-z", 3.0, 6.0)
    assert profile.name == "shock (pulse half sine, peak_g 1, duration_ms 11)"
    quake = load_scenario(ROOT / "scenarios" / "harrow_point_earthquake.toml")
    record = own_events(quake)
    (case,) = cases_of(record, ("x", "y"), ("+",), (1.0,), ("closed",))
    assert not record.aims and case.axis == "as recorded"
    turned = with_event(without_events(quake), record, "as recorded", "-", 2.0, "closed")
    assert turned.disturbances[0]["scale"] == -2.0
    assert len(turned.disturbances) == len(quake.disturbances)


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("shok:peak_g=1", 'Did you mean "shock"'),
        ("drift:sigma_urad=1", "is no profile"),
        ("shock:peak_g=", "must be KIND:key=value"),
    ],
)
def test_profiles_that_are_none(text, match):
    with pytest.raises(ScenarioError, match=match):
        parse_profile(text)


def test_an_event_that_does_not_fit_into_the_run_is_refused():
    with pytest.raises(ScenarioError, match="plays in part"):
        replay(scenario(), [parse_profile(PULSE.replace("11", "500"))], margin_loops=())
    with pytest.raises(ScenarioError, match="plays no event"):
        replay(scenario(), margin_loops=())


def test_the_command_files_what_it_prints(tmp_path):
    out = tmp_path / "r"
    words = ["replay", str(ONE), "--out", str(out), "--profile", PULSE, "--levels", "10,40",
             "--loops", "closed,open", "--seeds", "1", "--set", IMBALANCE,
             "--set", "limits.max_urad=150.0", "--margins", "open"]  # fmt: skip
    done = CliRunner().invoke(cli, words)
    assert done.exit_code == 1, done.output  # 191 urad at 40 g, with the loop closed
    filed = json.loads((out / "replay.json").read_text())
    assert [(c["level"], c["loop"], c["verdict"]) for c in filed["cases"]][-1] == (
        40.0, "open", "missed",
    )  # fmt: skip
    assert {"limit", "profile", "axis", "sense", "loop", "factor", "factor_low", "factor_high",
            "where", "mechanism"} <= set(filed["margins"][0])  # fmt: skip
    assert filed["verdict"] in done.output
    page = (out / "report.html").read_text()
    assert "Margin to failure" in page and "peak_g 1" in page
