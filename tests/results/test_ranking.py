"""Every column of connections and mirrors, against plain loops over every tick."""

import itertools

import numpy as np
import pytest

from sim.foundations.ports import SpotStatus
from sim.results.ranking import Culprit, _of_events, rank
from tests.made_traces import made_epoch, made_traces
from tests.results.runs import TICK_S, N, settings

TICKS = 1200
FROM, TO = 200, 1000
"""Ticks of the hold interval, 10 to 50 ms."""
PARAMS = settings(hold_from_ms=10.0, hold_to_ms=50.0, dwell_ms=2.0)
EPOCHS = [
    made_epoch(0.0, 4, 2, commanded=False, outputs=[0, 1], aligned=[1.0, 1.5]),
    made_epoch(25e-3, 4, 2, outputs=[1, 0], aligned=[1.2, 0.9], moved=[True, False, True, False]),
]


def a_run():
    """Errors [urad] and excess [dB] of every tick: a command at tick 500 moves connection 0."""
    rng = np.random.default_rng(12)
    error = rng.normal(0.0, 3.0, (TICKS, 4, 2)) + rng.normal(0.0, 3.0, (4, 2))
    error[500:543, 0] = [150.0, 0.0]
    error[500:, 2] += [300.0, 0.0]  # never comes
    excess = rng.exponential(0.1, (TICKS, 2))
    excess[500:537, 0] = 2.0
    excess[640:700, 0] = 60.0  # dark for three intervals
    excess[245:250, 1] = 1.5
    excess[255:290, 1] = 3.0  # after a break within its interval
    excess[985:1005, 1] = 1.25  # still out as the hold interval ends
    return error * 1e-6, excess


@pytest.fixture(scope="module")
def found():
    error, excess = a_run()
    frames = np.zeros((len(SpotStatus), 4), np.int32)
    frames[: SpotStatus.SEARCH + 1, 1] = 90, 1, 2, 5, 2
    frames[: SpotStatus.SEARCH + 1, 3] = 98, 1, 0, 0, 1
    traces = made_traces(
        error, excess, tolerance_rad=20e-6, outage_db=1.0, status_frames=frames
    )  # fmt: skip
    traces.status[30, 1] = SpotStatus.FAILED
    return rank(traces, EPOCHS, PARAMS, ports=2), error, excess


def test_connections(found):
    ranking, _, excess = found
    rows = ranking.connections
    held = excess[FROM:TO]
    aligned = np.array([EPOCHS[t >= 500].aligned_db for t in range(FROM, TO)])
    for c in range(2):
        worst = int(held[:, c].argmax())
        assert rows["excess_max_db"][c] == pytest.approx(held[worst, c], rel=1e-6)
        assert rows["at_s"][c] == pytest.approx((FROM + worst) // N * N * TICK_S + N * TICK_S)
        assert rows["max_db"][c] == pytest.approx((held + aligned)[:, c].max(), rel=1e-6)
        assert rows["aligned_db"][c] == aligned[worst, c]
        ends = [t for t in range(FROM + N - 1, TO, N) if excess[t - N + 1 : t + 1, c].max() <= 40]
        samples = [excess[t, c] + aligned[t - FROM, c] for t in ends]
        assert rows["p99_db"][c] == pytest.approx(np.percentile(samples, 99), rel=1e-6)
        out = held[:, c] > 1.0
        assert rows["outage_ms"][c] == pytest.approx(1e3 * TICK_S * out.sum())
        filled = out.copy()  # an interval is out throughout from its first to its last tick out
        for start in range(0, len(out), N):
            (ticks,) = np.nonzero(out[start : start + N])
            if len(ticks):
                filled[start + ticks[0] : start + ticks[-1] + 1] = True
        longest = max(len(list(run)) for is_out, run in itertools.groupby(filled) if is_out)
        assert rows["longest_outage_ms"][c] == pytest.approx(1e3 * TICK_S * longest)
    assert len(samples) == 40 and len(rows["recovery_ms"]) == 2
    assert rows["recovery_ms"] == [pytest.approx(1e3 * TICK_S * (700 - 500)), None]
    assert rows["name"] == ["in 0 -> out 1", "in 1 -> out 1"]
    assert (rows["commands"], rows["never"]) == ([1, 0], [0, 0])
    assert rows["light_ms"] == [pytest.approx(38 * 0.05), None]


def test_mirrors(found):
    ranking, error, _ = found
    rows = ranking.mirrors
    radial = 1e6 * np.hypot(error[FROM:TO, :, 0], error[FROM:TO, :, 1])
    for m in range(4):
        worst = FROM + int(radial[:, m].argmax())
        assert rows["at_s"][m] == pytest.approx((worst // N + 1) * N * TICK_S)
        assert rows["max_urad"][m] == pytest.approx(radial[:, m].max(), rel=1e-6)
        assert rows["rms_urad"][m] == pytest.approx(np.sqrt((radial[:, m] ** 2).mean()), rel=1e-6)
        sampled = radial[N - 1 :: N, m]
        assert rows["p99_urad"][m] == pytest.approx(np.percentile(sampled, 99), rel=1e-6)
    assert rows["name"] == ["A00", "A01", "B00", "B01"]
    assert (rows["commands"], rows["never"]) == ([1, 0, 1, 0], [0, 0, 1, 0])
    assert rows["settling_ms"] == [pytest.approx(44 * 0.05), None, None, None]
    assert rows["lost_frames"] == [0, 10, 0, 2]
    assert rows["lost_cause"] == [None, "failed", None, "dim"]


def test_culprits(found):
    ranking, error, excess = found
    c = ranking.culprits
    assert c["coupling.excess_max_db"][:2] == ("in 0 -> out 1", pytest.approx(0.033))
    assert c["coupling.max_db"][:2] == ("in 0 -> out 1", pytest.approx(0.033))
    assert c["coupling.outage_ms"][:2] == ("in 0 -> out 1", pytest.approx(0.025))
    assert c["pointing.max_urad"].name == c["pointing.rms_urad"].name == "B00"
    assert c["pointing.p99_urad"][:2] == ("B00", None)
    assert c["lost.frames"][:2] == ("A01", pytest.approx(31 * N * TICK_S))
    assert c["lost.frames"].words == "A01 at 0.031 s" and Culprit("A01", None).words == "A01"
    samples = (excess + 1.0)[FROM + N - 1 : TO : N]
    often = (samples > np.percentile(samples, 99)).sum(axis=0).argmax()
    assert c["coupling.p99_db"].name.startswith(f"in {often} -> out {EPOCHS[1].outputs[often]}")


def test_a_connection_that_is_always_dark_has_no_percentile():
    excess = np.full((TICKS, 2), 0.25)
    excess[:, 0] = 99.0
    traces = made_traces(np.zeros((TICKS, 4, 2)), excess, tolerance_rad=1e-6, outage_db=1.0)
    rows = rank(traces, EPOCHS, PARAMS, ports=2).connections
    assert rows["p99_db"] == [None, pytest.approx(1.75)]
    at = made_traces(np.zeros((TICKS, 4, 2)), np.full((TICKS, 2), 40.0), tolerance_rad=1e-6,
                     outage_db=1.0)  # fmt: skip
    assert rank(at, EPOCHS, PARAMS, ports=2).connections["p99_db"] == [41.2, 41.5]


def test_no_whole_interval_no_columns():
    traces = made_traces(*a_run(), tolerance_rad=20e-6, outage_db=1.0)
    ranking = rank(traces, EPOCHS, settings(hold_from_ms=10.1, hold_to_ms=11.9), ports=2)
    assert ranking.connections == {} and ranking.mirrors == {} and ranking.culprits == {}


def test_percentiles_of_connections_that_never_go_dark():
    excess = 0.01 * np.arange(TICKS)[:, None] * np.array([1.0, 0.3])
    traces = made_traces(np.zeros((TICKS, 4, 2)), excess, tolerance_rad=1e-6, outage_db=99.0)
    rows = rank(traces, EPOCHS, PARAMS, ports=2).connections
    ends = np.arange(FROM + N - 1, TO, N)
    aligned = np.array([EPOCHS[int(t >= 500)].aligned_db for t in ends])
    assert excess[ends].max() < 40.0
    expected = np.percentile(excess[ends] + aligned, 99, axis=0)
    np.testing.assert_allclose(rows["p99_db"], expected, rtol=1e-6)


def event_row(name="a knock", recovery_ms=None, slowest="c", outage_ms=0.0, stray_db=None):
    stray = stray_db and {"from": f"from {name}", "into": "d", "db": stray_db, "at_ms": 30.0}
    return {"name": name, "recovery_ms": recovery_ms, "slowest": slowest, "outage_ms": outage_ms,
            "crosstalk": stray}  # fmt: skip


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ((), {}),
        ((event_row(),), {}),
        ((event_row(recovery_ms=3.0, slowest=None, outage_ms=2.0),), {}),
        ((event_row("one", 3.0, "a"), event_row("two", 5.0, "b"), event_row("three")),
         {"events.recovery_ms": Culprit("b after two", None)}),
        ((event_row("one", outage_ms=0.5), event_row("two", outage_ms=0.25)),
         {"events.outage_ms": Culprit("one", None)}),
        ((event_row("one", stray_db=50.0), event_row("two", stray_db=40.0), event_row()),
         {"events.crosstalk_db": Culprit("from two into d", 0.03)}),
    ],
)  # fmt: skip
def test_who_an_event_s_figures_are_of(rows, said):
    assert _of_events(rows) == said
