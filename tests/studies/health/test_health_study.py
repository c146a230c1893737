"""The study of a watch: delays and names over seeds, and the tail of its false alarms."""

import json

import numpy as np
import pytest
from click.testing import CliRunner

from sim.cli.main import cli
from sim.foundations.errors import ScenarioError
from sim.scenario.gallery import find
from sim.scenario.model import load_scenario
from sim.studies.health.study import HealthStudy, KindFound, first_passage, study
from sim.studies.health.tail import BLOCK_FRAMES, Tail, tail_of

SMALL = ("duration_ms=700", "health.trials_from_ms=320", "metrics.hold_from_ms=50",
         "health.watch.learn_ms=200",
         "switch.connections=[[0,17],[3,44],[5,71],[9,2],[12,90],[14,33],[20,58],[23,81]]",
         'health.trials=[{found_as="weak",event={kind="mirror_weak",gain=0.9}},'
         '{found_as="noisy",event={kind="mirror_noisy",rms_urad=150.0}}]')  # fmt: skip


def test_tail_of_known_exponentials():
    # Evidence drawn so that blocks have exponential largest values of slope 12: the rate at 1 is
    # known. Slope within four standard errors, 1/sqrt(n); the interval covers the truth.
    rng = np.random.default_rng(1)
    blocks, mirrors, slope = 40, 100, 12.0
    largest = rng.exponential(1 / slope, (blocks, mirrors))
    evidence = np.zeros((blocks * BLOCK_FRAMES, mirrors), np.float32)
    evidence[::BLOCK_FRAMES] = largest
    tail = tail_of([evidence], 1.0)
    assert tail is not None
    assert tail.exceeding == pytest.approx(400, abs=2)
    assert tail.per_unit == pytest.approx(slope, rel=4 / np.sqrt(400))
    assert tail.spread == pytest.approx(1.0, abs=0.2)
    truth = np.exp(-slope) / (BLOCK_FRAMES * 1e-3) * 3.6e6
    low, high = tail.interval(1.0)
    assert low < truth < high
    assert tail.watched_mirror_h == pytest.approx(blocks * mirrors * BLOCK_FRAMES / 3.6e6)


def test_intervals_of_the_tail_cover_as_often_as_they_say():
    # 200 samples of 300 exponentials: 95 % of the intervals hold the truth, four standard errors.
    rng, hits = np.random.default_rng(2), 0
    for _ in range(200):
        largest = rng.exponential(0.1, (300, 10))
        evidence = np.repeat(largest.astype(np.float32), BLOCK_FRAMES, axis=0)
        tail = tail_of([evidence], 1.0)
        low, high = tail.interval(1.0)
        hits += low < 3.6e9 / BLOCK_FRAMES * np.exp(-10.0) < high
    assert hits / 200 == pytest.approx(0.95, abs=4 * np.sqrt(0.95 * 0.05 / 200))


def test_too_little_gives_no_tail():
    assert tail_of([], 1.0) is None
    assert tail_of([np.zeros((BLOCK_FRAMES, 20), np.float32)], 1.0) is None


def test_first_passage_counts_the_frame_of_the_alarm():
    trace = np.array([[0.0, 1.0, 0.2], [0.5, 0.0, 0.3], [1.2, 0.0, 0.4]])
    assert first_passage(trace, 1.0).tolist() == [3.0, 1.0, np.inf]


def test_the_command_files_what_it_found(tmp_path):
    out = tmp_path / "out"
    sets = [part for each in SMALL for part in ("--set", each)]
    result = CliRunner().invoke(cli, [
        "health", "harrow_point_watch", "--out", str(out), "--seeds", "1", "--mirrors", "3",
        "--healthy", "1", *sets,
    ])  # fmt: skip
    assert result.exit_code == 0, result.output
    filed = json.loads((out / "health.json").read_text(encoding="utf-8"))
    weak, noisy = filed["kinds"]
    for row in (weak, noisy):
        assert {"kind", "detected", "delay_median_ms", "delay_p95_ms",
                "false_alarms_per_mirror_1000h"} <= set(row)  # fmt: skip
        assert row["detected"] == 1.0 and row["mirrors"] == 3 and row["before_the_fault"] == 0
        assert row["delay_median_ms"] <= row["delay_p95_ms"] <= row["told_median_ms"] + 200
    assert weak["delay_median_ms"] <= 3.0 and weak["named"] == {"weak": 3}
    assert noisy["named"] == {"noisy": 3}
    curve = filed["operating_curve"]["delay_median_ms"]["1: noisy"]
    known = [each for each in curve if each is not None]
    assert known == sorted(known) and known[0] < known[-1]
    page = (out / "report.html").read_text(encoding="utf-8")
    assert "rms 150 µrad" in page and "extrapolat" in page


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        (('health="none"',), "health: required, but missing"),
        (("health.trials=[]",), "health.trials: at least one fault is needed"),
        (("health.trials_from_ms=5000",), "trials begin after the end of the run"),
        (('health.trials=[{found_as="weak",event={kind="mirror_weka",gain=0.9}}]',),
         'unknown event "mirror_weka". Did you mean "mirror_weak"'),
    ],
)  # fmt: skip
def test_what_cannot_be_tried_is_refused(settings, message):
    scenario = load_scenario(find("harrow_point_watch"), (*SMALL[:5], *settings))
    with pytest.raises(ScenarioError, match=message):
        study(scenario, seeds=1, mirrors=3, healthy=0)


def test_more_faults_than_half_of_the_mirrors_are_refused():
    scenario = load_scenario(find("harrow_point_watch"), SMALL)
    with pytest.raises(ScenarioError, match="at most half of the 18 mirrors of the run"):
        study(scenario, seeds=1, mirrors=10, healthy=0)


@pytest.mark.parametrize(("slope", "kept"), [(30.0, True), (4.0, False), (17.5, None)])
def test_the_verdict_says_whether_the_rate_is_kept(slope, kept):
    # 300 excesses over 0.3 at a rate of 1e7: at the threshold 1e7 exp(-0.7 slope), an interval of
    # slope x (1 -+ 0.11): 3e-3 (3e-4 to 4e-2), 6e5, and 48 (13 to 190) against the 0.1, 0.1, 50.
    tail = Tail(1.0, 0, 0.3, 300, 1e7, slope, 1.0)
    found = HealthStudy([], tail, 0, 0, 1, 1, 50.0 if kept is None else 0.1)
    assert found.kept is kept and found.good is (kept is not False)
    words = {True: "0.1, kept", False: "more than the 0.1", None: "50, not decided"}[kept]
    assert words in found.rate_words


def test_what_cannot_be_seen_at_rest_is_said():
    small = {"mirror": "A95", "kind": "weak", "at_rest": True, "off_scatters": 0.4,
             "off_urad": 14.0, "reading_scatter_urad": 35.0}  # fmt: skip
    row = {"found": 1, "mirrors": 2, "words": "weak", "delay_median_ms": 1.0, "not_found": [small]}
    found = HealthStudy([KindFound(row, np.zeros(1), np.zeros(1))], None, 0, 0, 1, 2, None)
    assert found.good
    assert "Not found: A95 (weak), where the fault moves the mirror by 14" in found.verdict
    assert "cannot be seen unless the mirror moves" in found.verdict
    row["not_found"] = [small | {"at_rest": False}]
    assert not found.good and "Not found" not in found.verdict


def test_the_verdict_begins_with_whether_it_is_met():
    row = {"found": 2, "mirrors": 2, "words": "weak", "delay_median_ms": 1.0, "not_found": []}
    kinds = [KindFound(row, np.zeros(2), np.zeros(1))]
    tail = Tail(1.0, 0, 0.3, 300, 1e7, 17.5, 1.0)
    assert HealthStudy(kinds, tail, 0, 0, 1, 2, None).verdict.startswith("Met: 2 of 2 faults")
    assert HealthStudy(kinds, tail, 0, 0, 1, 2, 50.0).verdict.startswith("Not decided: 2 of 2")
    assert HealthStudy(kinds, tail, 1, 0, 1, 2, None).verdict.startswith("Missed: 2 of 2")
