"""The commands `life`, `extrapolate` and `run --at-year`."""

import csv
import json

import numpy as np
import pytest
from click.testing import CliRunner

from sim.cli.main import cli
from sim.studies.life.page import verdict_of
from sim.studies.life.study import ROWS, live, results_of
from sim.studies.life.switches import switches
from tests.studies.life.conftest import SMALL

SET = [word for value in SMALL for word in ("--set", value)]


def invoke(*words):
    return CliRunner().invoke(cli, [*map(str, words)])


def test_a_life_is_filed_as_its_contract_says(tmp_path):
    out = tmp_path / "out"
    done = invoke("life", "harrow_point_life", *SET, "--years", 0.2, "--out", out)
    assert done.exit_code == 0, done.output
    assert "Met over 0.2 of 15 years: largest insertion loss" in done.stdout
    found = json.loads((out / "life.json").read_text("utf-8"))
    for name in ("years", "median_db", "p95_db", "max_db"):
        assert len(found[name]) == ROWS
    assert found["years"][-1] == pytest.approx(0.2)
    assert set(found["first_miss_years"]) >= {"low", "high", "share_censored"}
    assert 0.9 < found["availability"]["share"] <= 1.0
    assert set(found["contributors"]) >= {"connectors", "pointing", "jitter"}
    rows = list(csv.DictReader((out / "connections.csv").open(encoding="ascii")))
    assert len(rows) == 8 and max(float(row["max_db"]) for row in rows) == pytest.approx(
        found["worst"]["max_db"], abs=1e-5
    )
    assert all(float(row["median_db"]) <= float(row["p95_db"]) for row in rows)
    spares = found["spare_ports"]
    assert [row["spares"] for row in spares] == [0, 1]
    assert spares[1]["max_db"] < spares[0]["max_db"]
    assert 0 < max(found["headroom"]["travel_share_max"]) < 1
    page = (out / "report.html").read_text("utf-8")
    assert "end-of-life limit" in page and "Year by year" in page
    missed = invoke("life", "harrow_point_life", *SET, "--years", 0.2, "--out", tmp_path / "two",
                    "--set", "switch.budget.acceptance_db=0.5",
                    "--set", "switch.budget.end_of_life_db=0.6")  # fmt: skip
    assert missed.exit_code == 1 and "Missed: a connection first exceeds 0.6 dB" in missed.stdout
    late = json.loads((tmp_path / "two" / "life.json").read_text("utf-8"))
    cause = late["missed_by"]["end_of_life"]["cause"]
    assert late["first_miss_years"]["causes"] == {cause: 1}


def test_many_switches_are_kept_and_gone_on_from(tmp_path):
    done = []
    words = {"overrides": (*SMALL, "life.years=0.05"), "workers": 1, "progress": done.append}
    first = switches("harrow_point_life", 2, tmp_path / "store", **words)
    store = tmp_path / "store" / "runs.jsonl"
    lines = store.read_bytes().splitlines(keepends=True)
    store.write_bytes(b"".join(lines[:-1]))  # as a kill before the last line was written
    done.clear()
    again = switches("harrow_point_life", 2, tmp_path / "store", **words)
    assert done[0] == 1 and done[-1] == 2
    for name, course in first.courses_db.items():
        np.testing.assert_array_equal(course, again.courses_db[name])
    assert not np.array_equal(first.courses_db["max_db"][0], first.courses_db["max_db"][1])
    assert first.survival("end_of_life").years.size == 0 and 0.9 < first.availability <= 1


def test_lives_with_one_change_are_kept_and_gone_on_from(tmp_path, small, monkeypatch):
    from sim.studies.life import levers as of

    scenario = small("life.service.repeak_days=8", "life.years=0.05")
    for name, words in (("_causes", "wear_db halved"), ("_service", "never aimed anew")):
        whole = getattr(of, name)
        monkeypatch.setattr(of, name, lambda s, whole=whole, words=words: {words: whole(s)[words]})
    life, store = live(scenario), tmp_path / "store"
    causes, service = of.levers(life, folder=store, workers=1)
    assert [one.change for one in causes] == ["as it is", "wear_db halved"]
    assert service[0].repeak_days == 8.0 and service[1].repeak_days is None
    found = results_of(life)
    assert causes[0].max_db == max(found["max_db"][-12:]) and causes[0].gain_db == 0.0
    lines = (store / "runs.jsonl").read_bytes().splitlines(keepends=True)
    (store / "runs.jsonl").write_bytes(b"".join(lines[:-1]))  # as killed before the last was kept
    done = []
    again = of.levers(life, lambda n, total: done.append((n, total)), folder=store, workers=1)
    assert again == (causes, service) and done == [(1, 2), (2, 2)]


def test_a_run_at_a_year_says_so(tmp_path):
    out = tmp_path / "run"
    done = invoke("run", "harrow_point_life", *SET, "--at-year", 0.1, "--out", out)
    assert done.exit_code in (0, 1), done.output
    found = json.loads((out / "results.json").read_text("utf-8"))
    assert found["scenario"]["age_h"] == pytest.approx(0.1 * 8766)
    assert "starts late in the life" in " ".join(found["notes"])
    late = invoke("run", "harrow_point_life", *SET, "--at-year", 99, "--out", tmp_path / "late")
    assert late.exit_code == 2 and "--at-year: must lie above 0 and within" in late.stderr


def test_an_extrapolation_says_how_far_it_goes(tmp_path):
    hours = np.array([2.0, 5, 10, 20, 50, 100, 200, 500])
    shift = 3.0 * hours**0.3 + 0.05 * np.random.default_rng(1).normal(size=8)
    rows = "\n".join(f"{h},{s:.4f}" for h, s in zip(hours, shift, strict=True))
    (tmp_path / "log.csv").write_text(f"hours,shift_urad\n{rows}\n", encoding="utf-8")
    words = ("extrapolate", tmp_path / "log.csv", "--law", "power", "--at-c", 25)
    near = invoke(*words, "--years", 0.5, "--out", tmp_path / "near")
    assert near.exit_code == 0 and "8.77 times as long as was measured" in near.stdout
    found = json.loads((tmp_path / "near" / "extrapolation.json").read_text("utf-8"))
    truth = 3.0 * (0.5 * 8766.0) ** 0.3
    assert found["low"][-1] < truth < found["high"][-1]
    far = invoke(*words, "--years", 15, "--out", tmp_path / "far")
    assert far.exit_code == 1 and "far beyond the data" in far.stdout
    (tmp_path / "bad.csv").write_text("hours,shift_urad\n0,1\n1,2\n", encoding="utf-8")
    bad = invoke("extrapolate", tmp_path / "bad.csv", "--years", 1, "--at-c", 25,
                 "--out", tmp_path / "no")  # fmt: skip
    assert bad.exit_code == 2 and "line 2: hours must be above 0" in bad.stderr
    assert not (tmp_path / "no").exists()


def test_the_verdict_says_how_much_of_the_life_was_lived():
    results = {
        "limits_db": {"end_of_life": 2.8}, "switches": 1, "met": True, "years": [0.025, 0.05],
        "design_years": 15.0, "missed_at_years": {"end_of_life": None},
        "availability": {"share": 1.0}, "first_miss_years": {},
        "worst": {"max_db": 1.5, "input": 3, "year": 0.05},
    }  # fmt: skip
    text = verdict_of(results, "both clocks agree")
    assert text.startswith("Met over 0.05 of 15 years: largest") and text.endswith("clocks agree.")
    assert verdict_of(results | {"years": [15.0]}).startswith("Met: largest")
    apart = verdict_of(results | {"met": False}, "both clocks do not agree: jitter")
    assert apart.startswith("Not shown: both clocks do not agree: jitter. Met over 0.05")
