"""The figures of a run but settling, against sums over every tick and cases worked by hand."""

import json

import numpy as np
import pytest
from pydantic import ValidationError

from sim.foundations.ports import SpotStatus
from sim.results.hold import MetricsParams
from sim.results.limits import LimitsParams, check_limits
from sim.results.metrics import mirror_name
from sim.results.sway import sway_figures
from sim.results.table import LIMITED
from sim.results.traces import LOST
from tests.made_traces import made_epoch
from tests.results.runs import N, run, settings


def test_pointing_and_coupling_agree_with_sums_over_ticks():
    # The traces hold single precision: 6e-8 of each value, so 1e-6 is ample.
    rng = np.random.default_rng(3)
    ticks, n_mirrors, n_lit = 800, 6, 3
    error = rng.normal(size=(ticks, n_mirrors, 2)) * 8 + rng.normal(size=(n_mirrors, 2)) * 10
    excess = rng.exponential(0.5, size=(ticks, n_lit))
    epochs = [
        made_epoch(0.0, n_mirrors, n_lit, commanded=False, aligned=[1.0, 1.5, 2.0]),
        made_epoch(20e-3, n_mirrors, n_lit, outputs=[2, 0, 1], aligned=[1.2, 1.1, 1.9]),
    ]
    params = settings(hold_from_ms=9.5, hold_to_ms=35.2)  # whole intervals: 10 to 35 ms
    figures = run(error, excess, epochs, params, ports=3)
    rows = slice(200, 700)
    held, lost = error[rows], excess[rows]
    aligned = np.where(
        np.arange(200, 700)[:, None] < 400, epochs[0].aligned_db, epochs[1].aligned_db
    )
    radial = np.hypot(held[..., 0], held[..., 1])
    bias = np.sqrt((held.mean(axis=0) ** 2).sum(axis=-1).mean())
    p = figures["pointing"]
    assert figures["hold"]["intervals"] == 25 and figures["hold"]["commands"] == 1
    assert p["rms_urad"] == pytest.approx(np.sqrt((radial**2).mean()), rel=1e-6)
    assert p["max_urad"] == pytest.approx(radial.max(), rel=1e-6)
    assert p["bias_urad"] == pytest.approx(bias, rel=1e-6)
    wander = np.sqrt(((held - held.mean(axis=0)) ** 2).sum(axis=-1).mean())
    assert p["jitter_urad"] == pytest.approx(wander, rel=1e-6)  # an independent way to it
    assert p["p99_urad"] == pytest.approx(np.percentile(radial[N - 1 :: N], 99), rel=1e-6)
    assert p["p99_count"] == 25 * n_mirrors
    c = figures["coupling"]
    total = aligned + lost
    assert c["mean_db"] == pytest.approx(total.mean(), rel=1e-6)
    assert c["max_db"] == pytest.approx(total.max(), rel=1e-6)
    assert c["p99_db"] == pytest.approx(np.percentile(total[N - 1 :: N], 99), rel=1e-6)
    assert c["p99_count"] == 25 * n_lit
    assert c["excess_mean_db"] == pytest.approx(lost.mean(), rel=1e-6)
    assert c["excess_max_db"] == pytest.approx(lost.max(), rel=1e-6)
    assert c["aligned_max_db"] == 2.0
    dark_ms = (lost > 1.0).sum(axis=0) * 0.05
    assert c["outage_ms"] == pytest.approx(dark_ms.max())
    assert c["outage_total_ms"] == pytest.approx(dark_ms.sum())
    row, column = np.unravel_index(total.argmax(), total.shape)
    output = epochs[0 if row + 200 < 400 else 1].outputs[column]
    assert figures["worst_connections"][0]["name"] == f"in {column} -> out {output}"
    json.dumps(figures, allow_nan=False)


def test_hold_without_a_whole_interval_has_no_figures():
    figures = run(np.full((100, 2), 50.0), params=settings(hold_from_ms=4.5))
    assert figures["hold"]["intervals"] == 0
    assert figures["pointing"]["rms_urad"] is None and figures["coupling"]["max_db"] is None
    assert figures["worst_mirrors"] == [] and figures["worst_connections"] == []
    json.dumps(figures, allow_nan=False)


def test_limits_are_met_missed_or_cannot_be_met():
    error = np.zeros((200, 2))
    error[0:10] = 100.0
    figures = run(error, params=settings(hold_from_ms=5.0))
    assert check_limits(figures, LimitsParams()) == []
    rows = check_limits(
        figures, LimitsParams(settling_max_ms=0.5, rms_urad=0.0, lost_frames_max=0, unsettled_max=0)
    )
    by_name = {row["name"]: row for row in rows}
    assert not by_name["settling_max_ms"]["met"]  # 0.55 ms
    assert by_name["settling_max_ms"]["value"] == pytest.approx(0.55)
    assert by_name["rms_urad"]["met"]  # equal to its limit
    assert by_name["lost_frames_max"]["met"] and by_name["unsettled_max"]["met"]
    error[:] = 100.0
    (row,) = check_limits(run(error), LimitsParams(settling_max_ms=1e9))
    assert row["value"] is None and not row["met"]


def test_every_limit_finds_its_figure():
    figures = run(np.full((100, 2), 5.0), confusion=np.ones((4, 2), np.int32))
    figures |= {"sway": sway_figures(np.ones(3), (1.0, 1.0, 1.0))}
    figures["events"] |= {"recovery_ms": 1.0, "outage_ms": 1.0, "crosstalk_db": 1e7}
    rows = check_limits(figures, LimitsParams(**dict.fromkeys(LimitsParams.model_fields, 10**6)))
    assert len(rows) == len(LIMITED) and all(row["met"] for row in rows)


def test_stops_and_lost_frames_are_summed_up():
    frames = np.zeros((len(SpotStatus), 3), np.int32)
    frames[:3] = [[200, 196, 199], [0, 3, 0], [0, 1, 1]]
    figures = run(
        np.zeros((100, 3)),
        status_frames=frames,
        stop_ticks=np.array([0, 1, 30], np.int32),
        search_frames=np.array([0, 1, 40], np.int32),
    )
    assert figures["search"] == {"frames": 41, "mirrors": 2}
    assert figures["lost"] == {
        "frames": 5, "mirrors": 2, "share_pct": pytest.approx(100 * 5 / 600),
        "frames_by_cause": {
            **{cause.name.lower(): 0 for cause in LOST}, "dim": 3, "edge": 2,
        },
        "worst_mirror": "A01", "worst_mirror_frames": 4,
    }  # fmt: skip
    assert figures["stops"] == {"longest_ms": pytest.approx(1.5), "mirrors": 2}
    assert run(np.zeros((100, 3)))["stops"] == {"longest_ms": 0.0, "mirrors": 0}


def test_a_run_without_frames_has_lost_none():
    lost = run(np.zeros((100, 2)), status_frames=np.zeros((len(SpotStatus), 2), np.int32))["lost"]
    assert (lost["frames"], lost["share_pct"], lost["worst_mirror_frames"]) == (0, 0.0, 0)
    assert lost["worst_mirror"] is None and set(lost["frames_by_cause"].values()) == {0}


def test_names_of_mirrors():
    assert [mirror_name(m, 96) for m in (0, 95, 96, 191)] == ["A00", "A95", "B00", "B95"]


def test_bad_input_is_named():
    with pytest.raises(ValidationError, match="hold_to_ms must be later than hold_from_ms = 5"):
        settings(hold_from_ms=5.0, hold_to_ms=5.0)
    with pytest.raises(ValidationError, match="tolerance_urad"):
        MetricsParams(dwell_ms=1.0, hold_from_ms=0.0, outage_excess_db=1.0)
    with pytest.raises(ValueError, match="at least one epoch"):
        run(np.zeros((100, 1)), epochs=[])
    with pytest.raises(ValueError, match="in order of start_s"):
        run(np.zeros((100, 1)), epochs=[made_epoch(1e-3, 1, 1), made_epoch(0.0, 1, 1)])


@pytest.mark.parametrize("to_ms", [None, 20.0])
def test_checked_settings_come_back(to_ms):
    given = {"tolerance_urad": 1.0, "dwell_ms": 1.0, "hold_from_ms": 10.0,
             "outage_excess_db": 1.0, "hold_to_ms": to_ms}  # fmt: skip
    assert MetricsParams.model_validate(given).hold_to_ms == to_ms
    with pytest.raises(ValueError, match="later than hold_from_ms"):
        MetricsParams.model_validate(given | {"hold_to_ms": 10.0})


def test_figures_say_by_what_they_were_judged():
    # Commands at 0, 9.5, 10, 29.95 and 30 ms; the hold interval goes from 10 up to, not with, 30.
    at = (0.0, 9.5e-3, 10e-3, 29.95e-3, 30e-3)
    epochs = [made_epoch(start, 2, 1, commanded=start > 0) for start in at]
    figures = run(np.full((800, 2), 5.0), epochs=epochs,
                  params=settings(hold_from_ms=10.0, hold_to_ms=30.0, dwell_ms=0.4))  # fmt: skip
    assert figures["hold"] == {
        "from_ms": 10.0, "to_ms": 30.0, "intervals": 20, "interval_ms": pytest.approx(1.0),
        "commands": 2,
    }  # fmt: skip
    assert figures["settling"]["commands"] == 4
    assert figures["settling"]["tolerance_urad"] == 20.0 and figures["settling"]["dwell_ms"] == 0.4
    assert figures["settling"]["resolution_ms"] == pytest.approx(1.0)  # longer than the dwell
    at_interval = run(np.full((800, 2), 5.0), params=settings(dwell_ms=1.0))
    assert at_interval["settling"]["resolution_ms"] == pytest.approx(0.05)  # a tick
    assert figures["coupling"]["outage_limit_db"] == figures["time_to_light"]["limit_db"] == 1.0


def test_dark_intervals_enter_no_mean_and_no_percentile():
    # 100 intervals of 2 connections; 10 of the first are dark. By numpy over all the other ticks.
    rng = np.random.default_rng(6)
    excess = rng.exponential(0.3, (2000, 2))
    excess[600:800, 0] = 55.0
    epochs = [made_epoch(0.0, 4, 2, aligned=[1.0, 1.5])]
    c = run(np.zeros((2000, 4)), excess, epochs)["coupling"]
    lit = np.ones((2000, 2), bool)
    lit[600:800, 0] = False
    total = excess + [1.0, 1.5]
    sampled = np.zeros(2000, bool)
    sampled[N - 1 :: N] = True
    assert c["p99_db"] == pytest.approx(
        np.percentile(total[lit & sampled[:, None]], 99), rel=1e-6
    )
    assert c["p99_count"] == 190
    assert c["mean_db"] == pytest.approx(total[lit].mean(), rel=1e-6)
    assert c["excess_mean_db"] == pytest.approx(excess[lit].mean(), rel=1e-6)
    assert c["max_db"] == 56.0
    assert (c["dark_ms"], c["dark_total_ms"]) == (pytest.approx(10.0), pytest.approx(10.0))


def test_a_loss_at_the_limit_is_not_above_it():
    c = run(np.zeros((400, 4)), np.full((400, 2), 40.0))["coupling"]  # DARK_DB
    assert (c["dark_ms"], c["p99_count"], c["excess_mean_db"]) == (0.0, 40, 40.0)
    at = run(np.zeros((400, 4)), np.ones((400, 2)))["coupling"]
    above = run(np.zeros((400, 4)), np.full((400, 2), 1.001))["coupling"]
    assert (at["outage_ms"], above["outage_ms"]) == (0.0, pytest.approx(20.0))
