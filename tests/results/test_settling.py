"""When mirrors settle, against plain loops over every tick and cases worked by hand."""

import itertools
import json

import numpy as np
import pytest

from sim.results.settling import arrivals
from tests.made_traces import made_epoch, made_traces
from tests.results.runs import TICK_S, N, run, settings


def by_loops(is_out, dwell):
    """Return (ticks to settle or None, excursions) from the ticks after a command."""
    n = len(is_out)
    for start in range(1, n + 1):
        if start + dwell - 1 <= n and not any(is_out[start - 1 : start - 1 + dwell]):
            later = is_out[start - 1 :]
            count = sum(b and not a for a, b in itertools.pairwise(later))
            return (0 if start == 1 else start), count
    return None, 0


@pytest.mark.parametrize("seed", range(6))
def test_settling_agrees_with_loops_over_ticks(seed):
    # Exact, since the dwell is no shorter than an interval. Commands fall anywhere, also inside
    # an interval; the mirrors are then outside right after it and inside before, as a switch is.
    # Bursts are set an interval or more apart, so that the intervals can tell all of them.
    rng = np.random.default_rng(seed)
    interval, n_intervals, n_mirrors = 5, 60, 40
    total = interval * n_intervals
    command = int(rng.integers(0, 60))
    end = int(rng.integers(200, total + 1))
    out = np.zeros((total, n_mirrors), dtype=bool)
    for m in range(n_mirrors):
        k = command + (0 if rng.random() < 0.8 else 30)
        while k < total and rng.random() < 0.93:
            burst = int(rng.integers(1, 9))
            out[k : k + burst, m] = True
            k += burst + int(rng.integers(2 * interval, 30))
    out[:, 0] = False
    out[command::10, 0] = True  # one mirror that never holds for the longer dwells
    traces = made_traces(
        out[..., None] * np.array([1.0, 0.0]),
        np.zeros((total, 1)),
        tolerance_rad=0.5,
        outage_db=1.0,
        interval_ticks=interval,
    )
    for dwell in (5, 12, 25):
        got = arrivals(
            traces.error_first_out,
            traces.error_last_out,
            interval_ticks=interval,
            first_tick=0,
            command_tick=command,
            end_tick=end,
            dwell_ticks=dwell,
            tick_s=1.0,
        )
        want = [by_loops(list(out[command:end, m]), dwell) for m in range(n_mirrors)]
        times = np.array([np.nan if t is None else t for t, _ in want])
        np.testing.assert_array_equal(got.after_s, times)
        np.testing.assert_array_equal(got.excursions, [count for _, count in want])
        if dwell == 25:
            assert 0 < np.isnan(times).sum() < n_mirrors  # both outcomes were tried


def test_settling_by_dense_noise_agrees_with_loops_when_intervals_are_short():
    # Two ticks to an interval hide nothing between first and last tick outside; excursions can
    # then be told apart as well. Noise crosses the tolerance everywhere.
    rng = np.random.default_rng(9)
    out = rng.random((400, 60)) < 0.08 + 0.5 * np.exp(-np.arange(400) / 60)[:, None]
    traces = made_traces(
        out[..., None] * np.array([0.0, 1.0]),
        np.zeros((400, 1)),
        tolerance_rad=0.5,
        outage_db=1.0,
        interval_ticks=2,
    )
    got = arrivals(
        traces.error_first_out,
        traces.error_last_out,
        interval_ticks=2,
        first_tick=0,
        command_tick=31,
        end_tick=399,
        dwell_ticks=30,
        tick_s=1.0,
    )
    want = [by_loops(list(out[31:399, m]), 30) for m in range(60)]
    np.testing.assert_array_equal(got.after_s, [np.nan if t is None else t for t, _ in want])
    np.testing.assert_array_equal(got.excursions, [count for _, count in want])
    assert np.isnan(got.after_s).any() and got.excursions.max() > 3


def test_short_dwell_is_late_by_no_more_than_an_interval():
    rng = np.random.default_rng(4)
    out = rng.random((600, 80)) < 0.3
    out[400:] = False
    traces = made_traces(
        out[..., None] * np.array([1.0, 0.0]),
        np.zeros((600, 1)),
        tolerance_rad=0.5,
        outage_db=1.0,
    )
    got = arrivals(
        traces.error_first_out,
        traces.error_last_out,
        interval_ticks=N,
        first_tick=0,
        command_tick=380,
        end_tick=600,
        dwell_ticks=3,
        tick_s=1.0,
    )
    want = np.array([by_loops(list(out[380:, m]), 3)[0] for m in range(80)])
    late = got.after_s - want
    assert late.min() == 0 and 0 < late.max() <= N


def test_hand_made_settling():
    # Four mirrors, a command at 5 ms (tick 100), 30 ms of run; the dwell is 2 ms (40 ticks).
    error = np.zeros((600, 4))
    error[100:143, 0] = 100.0  # outside up to tick 143: 43 ticks; the first inside is the 44th
    error[100:143, 1] = 100.0
    error[200:203, 1] = 30.0  # back out twice: two excursions
    error[300:301, 1] = 30.0
    error[100:600:30, 2] = 100.0  # never inside for 40 ticks
    error[:, 3] = 500.0  # not moved: its error is no settling matter
    epochs = [
        made_epoch(0.0, 4, 1, commanded=False),
        made_epoch(5e-3, 4, 1, moved=[True, True, True, False]),
    ]
    figures = run(error, epochs=epochs, params=settings(hold_from_ms=20.0))
    s = figures["settling"]
    assert (s["commands"], s["count"], s["unsettled"], s["excursions_after"]) == (1, 3, 1, 2)
    assert s["median_ms"] == pytest.approx(44 * 0.05)
    assert s["max_of_those_ms"] == pytest.approx(44 * 0.05)
    assert s["p95_ms"] is None and s["max_ms"] is None  # the slowest never settled
    assert s["resolution_ms"] == pytest.approx(0.05)
    assert s["per_command"][0]["time_ms"] == pytest.approx(5.0)
    assert figures["hold"]["commands"] == 0
    worst = {row["name"]: row for row in figures["worst_mirrors"]}
    assert next(iter(worst)) == "B01 (port 1, array B)"
    assert worst["B01 (port 1, array B)"]["commands"] == 0
    assert worst["B01 (port 1, array B)"]["settling_ms"] is None
    assert worst["A00 (port 0, array A)"]["settling_ms"] == pytest.approx(2.2)
    assert worst["B00 (port 0, array B)"]["settling_ms"] is None
    assert worst["B00 (port 0, array B)"]["unsettled"] == 1


def test_mirror_that_stays_inside_settles_at_once():
    s = run(np.full((200, 2), 5.0))["settling"]
    assert (s["count"], s["unsettled"], s["max_ms"], s["excursions_after"]) == (2, 0, 0.0, 0)


def test_dwell_must_be_seen_whole():
    # 100 ticks of run, dwell 40: inside from tick 61 on is just enough, from 62 on is not.
    for last_out, unsettled in ((60, 0), (61, 1)):
        error = np.zeros((100, 1))
        error[:last_out] = 100.0
        s = run(error)["settling"]
        assert s["unsettled"] == unsettled
        assert s["max_ms"] == (None if unsettled else pytest.approx(61 * 0.05))


def test_ticks_outside_before_the_command_do_not_count():
    # Command at tick 110, inside an interval; outside up to tick 105 and never again.
    error = np.zeros((200, 1))
    error[:105] = 100.0
    s = run(error, epochs=[made_epoch(110 * TICK_S, 1, 1)])["settling"]
    assert (s["unsettled"], s["max_ms"], s["excursions_after"]) == (0, 0.0, 0)


def test_next_command_ends_the_watch():
    error = np.zeros((400, 1))
    error[:90] = 100.0
    error[100:120] = 100.0
    epochs = [made_epoch(0.0, 1, 1), made_epoch(100 * TICK_S, 1, 1)]
    s = run(error, epochs=epochs)["settling"]
    first, second = s["per_command"]
    assert first["unsettled"] == 1  # 10 ticks inside, then it was sent elsewhere
    assert second["max_ms"] == pytest.approx(21 * 0.05)
    assert (s["count"], s["unsettled"]) == (2, 1)


def test_run_without_commands_has_no_settling_figures():
    figures = run(np.full((100, 2), 50.0), epochs=[made_epoch(0.0, 2, 1, commanded=False)])
    for group in ("settling", "time_to_light"):
        assert figures[group]["count"] == 0
        for key in ("median_ms", "p95_ms", "max_ms"):
            assert figures[group][key] is None
    assert figures["settling"]["per_command"] == []
    json.dumps(figures, allow_nan=False)


def test_p95_counts_those_that_never_settled_as_slowest():
    # 41 mirrors: p95 falls on rank 38 of 0..40, so it exists while at most two never settle.
    for never, exists in ((0, True), (2, True), (3, False)):
        error = np.zeros((400, 41))
        for m in range(41):
            error[: 400 if m >= 41 - never else 10 + m, m] = 100.0
        s = run(error, ports=41)["settling"]
        assert s["unsettled"] == never
        if exists:
            assert s["p95_ms"] == pytest.approx((10 + 38 + 1) * 0.05)
        else:
            assert s["p95_ms"] is None


def test_settling_does_not_depend_on_where_ticks_are_counted_from():
    rng = np.random.default_rng(8)
    count = dict(interval_ticks=4, dwell_ticks=3, tick_s=1.0)
    for _ in range(50):
        first = rng.integers(0, 5, (12, 6))
        last = np.where(first > 0, np.maximum(first, rng.integers(1, 5, (12, 6))), 0)
        command, end = sorted(rng.integers(0, 48, 2))
        here = arrivals(first, last, first_tick=0, command_tick=command, end_tick=end, **count)
        there = arrivals(
            first, last, first_tick=7, command_tick=command + 7, end_tick=end + 7, **count
        )
        for a, b in zip(here, there, strict=True):
            np.testing.assert_array_equal(a, b)


def test_time_to_light_leaves_connections_that_were_not_moved():
    excess = np.zeros((400, 3))
    excess[:100, 0] = 20.0
    excess[:, 1] = 20.0
    excess[:, 2] = 20.0  # neither of its mirrors moved
    epochs = [made_epoch(0.0, 6, 3, moved=[True, False, False, False, True, False])]
    t = run(np.zeros((400, 6)), excess, epochs, ports=3)["time_to_light"]
    assert (t["count"], t["dark"]) == (2, 1)
    assert t["median_ms"] == pytest.approx(101 * 0.05)
    assert t["max_ms"] is None
    assert t["limit_db"] == 1.0


def test_bad_input_of_arrivals_is_named():
    ticks = {"interval_ticks": 5, "first_tick": 0, "command_tick": 0, "tick_s": 1.0}
    flat = np.zeros((4, 2), int)
    with pytest.raises(ValueError, match=r"must both be \(T, M\)"):
        arrivals(flat, flat[:2], end_tick=20, dwell_ticks=1, **ticks)
    with pytest.raises(ValueError, match="dwell_ticks must be at least 1, got 0"):
        arrivals(flat, flat, end_tick=20, dwell_ticks=0, **ticks)
    with pytest.raises(ValueError, match="must not decrease"):
        arrivals(flat, flat, end_tick=-1, dwell_ticks=1, **ticks)


@pytest.mark.parametrize(
    ("out", "dwell"),
    [([1, 0, 0], 1), ([0, 0, 0], 3), ([0, 0, 0], 4), ([1, 0, 0], 3), ([0, 1, 0], 1)],
)
def test_intervals_of_one_tick_agree_with_loops(out, dwell):
    first = np.array(out)[:, None]
    got = arrivals(
        first, first, interval_ticks=1, first_tick=0, command_tick=0, end_tick=len(out),
        dwell_ticks=dwell, tick_s=1.0,
    )  # fmt: skip
    ticks, count = by_loops([bool(x) for x in out], dwell)
    np.testing.assert_array_equal(got.after_s, [np.nan if ticks is None else ticks])
    assert got.excursions.tolist() == [count]
