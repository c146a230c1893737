"""What a run tells of its events, against the loss at every tick."""

import json

import numpy as np
import pytest

from sim.results.events import during, still_out
from sim.scenario.model import load_scenario
from sim.studies.run.make import make_run
from sim.studies.run.run import run
from tests.loop.test_steps import ROOT

HUT = ("switch.geometry.ports_per_side=20", "switch.geometry.columns=5", "duration_ms=220",
       "metrics.hold_from_ms=20")  # fmt: skip
SWAP = ('events=[{kind="board_power",board="A-1",at_ms=60,for_ms=40,fall_ms=1,rise_ms=2}]',)
LIMITS = "limits={recovery_max_ms=5,event_crosstalk_min_db=30}"
CASE = ROOT / "scenarios" / "harrow_point_hot_swap.toml"


@pytest.fixture(scope="module")
def every_tick():
    made = make_run(
        load_scenario(CASE, (*HUT, *SWAP, "traces.sample_hz=20000", "metrics.dwell_ms=5")),
        pictures=False,
    )
    return made, made.figures["events"]["rows"][0]


def test_times_are_those_of_the_loss_at_every_tick(every_tick):
    made, row = every_tick
    traces = made.outcome.traces
    pairs = made.built.parts.epochs[0].pairs
    own = traces.mirrors[pairs[:, 0]] < 16
    out = traces.excess_db[:, own] > 1.0
    after = traces.time_s > 60e-3
    last = traces.time_s[np.flatnonzero((out & after[:, None]).any(axis=1))[-1]]
    assert row["recovery_ms"] == pytest.approx(1e3 * last - 100, abs=0.051)
    assert row["outage_ms"] == pytest.approx(
        0.05 * (out & after[:, None]).sum(axis=0).max(), abs=0.11
    )
    assert row["connections"] == 16 and row["connections_out"] == int(
        (out & after[:, None]).any(axis=0).sum()
    )
    others = traces.excess_db[after][:, ~own].max()
    assert row["others"]["excess_db"] == pytest.approx(others, rel=1e-6)
    error = np.linalg.norm(traces.error_rad[:, made.built.parts.events[0].mirrors], axis=-1)
    settled = traces.time_s[np.flatnonzero((error > 150e-6).any(axis=1))[-1]]
    assert row["settled_ms"] == pytest.approx(1e3 * settled - 100, abs=0.051)
    assert row["mirrors"] == 16 and row["mirror_names"][-1] == "A15"
    assert during(made.figures, 0.08) == row["name"] and during(made.figures, 0.05) == ""


def test_sparse_samples_tell_the_same_times(every_tick):
    _, fine = every_tick
    made = make_run(load_scenario(CASE, (*HUT, *SWAP, "traces.sample_hz=1000")), pictures=False)
    row = made.figures["events"]["rows"][0]
    for name in ("recovery_ms", "outage_ms", "settled_ms", "connections_out"):
        assert row[name] == pytest.approx(fine[name], abs=1e-6), name


def test_the_verdict_names_the_event_that_it_rests_on(tmp_path):
    result = run(load_scenario(CASE, (*HUT, *SWAP, "traces.sample_hz=1000", LIMITS)))
    name = "board A-1 lost power and came back"
    assert result.verdict.word == "missed"
    assert result.verdict.text.startswith("Missed 1 of 2: slowest recovery after an event ")
    assert f"after {name}" in result.verdict.text.split(";")[0]
    folder = result.write(tmp_path / "out")
    page = (folder / "report.html").read_text(encoding="utf-8")
    assert "<h2>Events</h2>" in page and "Board A-1 lost power and came back" in page
    filed = json.loads((folder / "results.json").read_text(encoding="utf-8"))["events"]
    assert filed["rows"][0]["name"] == name
    assert filed["recovery_ms"] == filed["rows"][0]["recovery_ms"] > 5
    stray = filed["rows"][0]["crosstalk"]
    assert filed["crosstalk_db"] == stray["db"] > 30 and stray["from"].startswith("in ")


def test_who_has_no_light_at_the_end_is_said_and_does_not_pass():
    # Readings of the whole fleet end with the light, and nothing brings the new board's gain back.
    dark = (
        'boards={one=["A03"]}',
        'events=[{kind="board_power",board="one",at_ms=60,for_ms=40,gain_error_pct=5},'
        '{kind="light_dimmed",at_ms=60,light=0}]',
    )
    result = run(load_scenario(CASE, (*HUT, *dark, "traces.sample_hz=1000", "limits={}")))
    words = still_out(result.figures)
    assert len(words) == 1 and "still out at" in words[0] and "lost power" in words[0]
    assert words[0] in " ".join(result.verdict.beyond)
    row = result.figures["events"]["rows"][0]
    assert row["recovery_ms"] is None and row["still_out"]
    assert row["lasts_to_ms"] == pytest.approx(100) and row["looked_at_to_ms"] == pytest.approx(220)
    # The light does not come back: its mark goes to the end of the run.
    assert result.figures["events"]["rows"][1]["lasts_to_ms"] == pytest.approx(220)
    assert result.figures["events"]["recovery_ms"] is None


def test_without_events_there_are_no_figures_of_them():
    made = make_run(load_scenario(CASE, (*HUT, "events=[]", "duration_ms=60")), pictures=False)
    events = made.figures["events"]
    assert events["rows"] == [] and all(v is None for k, v in events.items() if k != "rows")
