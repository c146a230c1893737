"""Verdicts: who is behind a figure, whether it was put to the test, and what is dark."""

import numpy as np
import pytest

from sim.foundations.ports import Event, SpotStatus
from sim.results.exercise import not_exercised
from sim.results.hold import HoldInterval, MetricsParams
from sim.results.limits import LimitsParams, check_limits
from sim.results.metrics import evaluate
from sim.results.outages import outages
from sim.results.ranking import rank
from sim.results.sway import strikes, sway_figures
from sim.results.verdict import used_share, verdict_of
from tests.made_traces import made_epoch, made_traces, outside

TICK_S, N = 50e-6, 20
PARAMS = MetricsParams(tolerance_urad=20.0, dwell_ms=1.0, hold_from_ms=10.0, outage_excess_db=1.0)


def a_run(excess, error=None, **changes):
    error = np.full((len(excess), 4, 2), 3e-6) if error is None else error
    traces = made_traces(error, excess, tolerance_rad=20e-6, outage_db=1.0, **changes)
    return traces, [made_epoch(0.0, 4, 2, outputs=[1, 0], aligned=2.0)]


def test_outages_agree_with_loops_over_ticks():
    # Bursts fill whole tenths of an interval with no break inside one, so the sums hide nothing.
    rng = np.random.default_rng(4)
    values = np.zeros((40 * N, 30))
    for c in range(30):
        k = 0
        while k < len(values):
            k += int(rng.integers(N, 5 * N))
            length = int(rng.integers(1, 4 * N))
            values[k : k + length, c] = 2.0
            k += length
    values[:, 0] = 0.0
    values[-5:, 1] = 2.0
    first, last, _ = outside(values, 1.0, N)
    got = outages(first, last, interval_ticks=N, tick_s=TICK_S)
    for c in range(30):
        out = np.flatnonzero(values[:, c] > 1.0)
        runs = np.split(out, np.flatnonzero(np.diff(out) > 1) + 1)
        longest = max(len(run) for run in runs)
        assert got.longest_ms[c] == pytest.approx(1e3 * TICK_S * longest)
        if c == 1 or values[-1, c] > 1.0:
            assert np.isnan(got.recovery_ms[c])
        else:
            ticks = out[-1] + 1 - out[0] if len(out) else 0
            assert got.recovery_ms[c] == pytest.approx(1e3 * TICK_S * ticks)


def test_culprits_are_found_where_they_were_put():
    excess = np.full((2000, 2), 0.1)
    excess[100, 0] = 9.0  # before the hold interval: of no account
    excess[1000:1020, 1] = 3.0
    error = np.full((2000, 4, 2), 3e-6)
    error[1500, 2, 0] = 90e-6
    frames = np.zeros((len(SpotStatus), 4), np.int32)
    frames[:5, 3] = 90, 1, 5, 1, 0
    traces, epochs = a_run(excess, error, status_frames=frames)
    traces.status[42, 3] = 2
    rows = rank(traces, epochs, PARAMS, ports=2)
    assert rows.culprits["coupling.excess_max_db"][:2] == ("in 1 -> out 0", pytest.approx(0.051))
    assert rows.culprits["coupling.outage_ms"][:2] == ("in 1 -> out 0", pytest.approx(0.050))
    assert rows.culprits["pointing.max_urad"][:2] == ("B00", pytest.approx(0.076))
    assert rows.culprits["lost.frames"][:2] == ("B01", pytest.approx(0.043))
    at = int(np.argmax(rows.connections["excess_max_db"]))
    worst = {name: column[at] for name, column in rows.connections.items()}
    assert worst["name"] == "in 1 -> out 0" and worst["longest_outage_ms"] == pytest.approx(1.0)
    assert worst["max_db"] == pytest.approx(5.0, rel=1e-6) and worst["aligned_db"] == 2.0
    assert rows.mirrors["lost_cause"] == [None, None, None, "edge"]


def test_dark_time_enters_no_mean_and_no_percentile():
    excess = np.full((2000, 2), 0.2)
    excess[1000:1100, 0] = 120.0
    traces, epochs = a_run(excess)
    coupling = evaluate(traces, epochs, PARAMS, ports=2)["coupling"]
    assert coupling["excess_mean_db"] == pytest.approx(0.2, rel=1e-6)
    assert coupling["p99_db"] == pytest.approx(2.2, rel=1e-6)
    assert (coupling["dark_ms"], coupling["dark_total_ms"]) == (pytest.approx(5.0),) * 2
    assert coupling["p99_count"] == 2 * 90 - 5
    assert coupling["excess_max_db"] == pytest.approx(120.0)
    all_dark = evaluate(*a_run(np.full((2000, 2), 99.0)), PARAMS, ports=2)["coupling"]
    assert all_dark["mean_db"] is None and all_dark["p99_count"] == 0


HOLD = HoldInterval(100.0, 900.0)


@pytest.mark.parametrize(
    ("event", "words"),
    [
        (Event("it", 0.2, 0.3, 0.25), None),
        (Event("it", 0.05, 0.3, 0.1), None),
        (Event("it", 1.0, 1.2, 1.1), "does not play: it starts at 1 s, the run ends at 1 s"),
        (Event("it", 0.5, 1.5, 0.6), "plays in part: 0.5 of 1 s"),
        (Event("it", 0.02, 0.04, 0.03), "peak at 0.03 s, outside the hold interval of 0.1 to 0.9"),
        (Event("it", 0.92, 0.99, 0.95), "outside the hold interval"),
    ],
)
def test_events_must_play_whole_with_their_peak_in_the_hold_interval(event, words):
    found = not_exercised([event], [], HOLD, 1.0)
    assert (not found) if words is None else words in found[0]


def test_a_move_after_the_hold_interval_is_not_judged():
    assert not_exercised([], [0.05, 0.5], HOLD, 1.0) == []
    assert "the move at 950 ms comes after" in not_exercised([], [0.95], HOLD, 1.0)[0]


def verdict(value, limit=0.5, because=()):
    excess = np.full((2000, 2), 0.1)
    excess[1000, 1] = value
    traces, epochs = a_run(excess)
    figures = evaluate(traces, epochs, PARAMS, ports=2)
    rows = check_limits(figures, LimitsParams(excess_max_db=limit, lost_frames_max=0))
    return verdict_of(rows, rank(traces, epochs, PARAMS, ports=2).culprits, because)


def test_verdicts_say_number_limit_and_culprit():
    good = verdict(0.2)
    assert good.text == (
        "Met: largest misalignment loss 0.200 of 0.5 dB, in 1 -> out 0 at 0.051 s; "
        "no frames with a lost spot."
    )
    assert (good.word, good.deciding, good.passes) == ("met", "excess_max_db", True)
    bad = verdict(0.7)
    assert bad.text.startswith("Missed 1 of 2: largest misalignment loss 0.700 of 0.5 dB, in 1")
    assert not bad.passes
    idle = verdict(0.2, because=["the shock does not play"])
    assert idle.word == "not exercised" and not idle.passes
    assert idle.text.startswith("Not exercised: the shock does not play. What was met without it:")
    assert verdict(0.7, because=["x"]).word == "missed"
    none = verdict_of([], {}, [])
    assert none.word == "no limits" and none.passes


def test_a_core_that_strikes_its_frame_is_never_a_pass():
    # 12 mm of 10 along x; 3 of 4 along z: x strikes, and uses most of its clearance.
    sway = sway_figures(np.array([12e-3, 0.0, 3e-3]), (10.0, 10.0, 4.0))
    (struck,) = strikes(sway)
    assert "along x" in struck and "12.000 of 10 mm" in struck
    free = sway_figures(np.array([9e-3, 0.0, 3.9e-3]), (10.0, 10.0, 4.0))
    assert strikes(free) == ()
    rows = [{"name": "excess_max_db", "limit": 0.5, "value": 0.2, "met": True}]
    shown = verdict_of(rows, {}, [], strikes(sway))
    assert shown.word == "not shown" and not shown.passes and struck in shown.text
    rows[0] |= {"value": 0.7, "met": False}
    assert verdict_of(rows, {}, [], strikes(sway)).word == "missed"
    traces, epochs = a_run(np.full((200, 2), 0.1))
    figures = evaluate(
        traces, epochs, PARAMS, ports=2, sway_m=np.array([9e-3, 0, 3.9e-3]),
        clearance_mm=(10.0, 10.0, 4.0),
    )  # fmt: skip
    culprits = rank(traces, epochs, PARAMS, ports=2, figures=figures).culprits
    # Second way: 3.9 of 4 is nearer to contact than 9 of 10.
    assert culprits["sway.max_mm"].name == "axis x"
    assert culprits["sway.clearance_pct"].name == "axis z"


def test_an_event_short_of_its_required_spectrum_is_no_proof():
    short = ["the pulse reaches 80 % of the required response spectrum at 9 Hz (Q = 10)"]
    rows = [{"name": "excess_max_db", "limit": 0.5, "value": 0.2, "met": True}]
    shown = verdict_of(rows, {}, [], short=short)
    assert shown.text.startswith(f"Not shown: {short[0]}. Met: largest")
    assert (shown.word, shown.passes, shown.short) == ("not shown", False, tuple(short))
    assert verdict_of([], {}, [], short=short).word == "not shown"  # without limits too
    missed = verdict_of([rows[0] | {"value": 0.7, "met": False}], {}, [], short=short)
    assert missed.word == "missed" and "80 % of the required" in missed.text
    wild = verdict_of(rows, {}, [], diverging=["A00 diverges"], short=short)
    assert wild.word == "unstable" and wild.short == tuple(short)


def test_how_much_of_a_limit_is_used():
    def row(value, limit):
        return {"name": "excess_max_db", "value": value, "limit": limit, "met": False}

    shares = [used_share(row(*pair)) for pair in ((0.25, 0.5), (0, 0), (0.1, 0), (None, 1))]
    assert shares == [0.5, 0.0, np.inf, np.inf]


def test_the_connection_that_is_above_the_p99_most_often_is_named():
    excess = np.full((20_000, 2), 0.1)  # 0.5 % of all is higher, so all of that is above the p99
    excess[10_000:10_160, 1] = 3.0
    excess[15_000:15_040, 0] = 9.0
    traces, epochs = a_run(excess)
    culprits = rank(traces, epochs, PARAMS, ports=2).culprits
    assert culprits["coupling.p99_db"].name == "in 1 -> out 0"
    assert culprits["coupling.excess_max_db"].name == "in 0 -> out 1"


def test_who_was_never_out_has_no_outage():
    for rows in (0, 3):
        none = np.zeros((rows, 2), np.int64)
        got = outages(none, none, interval_ticks=N, tick_s=TICK_S)
        np.testing.assert_array_equal(got.longest_ms, [0.0, 0.0])
        assert np.isnan(got.first_s).all()


def test_figures_of_each_mirror_are_in_their_units():
    traces, epochs = a_run(np.full((2000, 2), 0.1), np.full((2000, 4, 2), 3e-6))
    mirrors = rank(traces, epochs, PARAMS, ports=2).mirrors
    for key in ("rms_urad", "p99_urad", "max_urad"):
        assert mirrors[key] == pytest.approx([3.0 * 2**0.5] * 4, rel=1e-5)


def test_counts_are_said_without_a_unit():
    row = {"name": "unsettled_max", "limit": 1, "value": 3, "met": False}
    assert verdict_of([row], {}, []).text == "Missed 1 of 1: mirrors that never settled 3 of 1."
    time = {"name": "settling_max_ms", "limit": 40.0, "value": 12.5, "met": True}
    assert verdict_of([time], {}, []).text == "Met: slowest settling 12.50 of 40 ms."


def test_a_loss_without_light_is_said_to_be_dark_not_in_figures():
    rows = [
        {"name": "excess_max_db", "value": 14994.9, "limit": 1.0, "met": False},
        {"name": "event_crosstalk_min_db", "value": 90.0, "limit": 40.0, "met": True},
    ]
    text = verdict_of(rows, {}, ()).text
    assert "largest misalignment loss: dark (above 40 dB, limit 1 dB)" in text
    assert "14994" not in text
