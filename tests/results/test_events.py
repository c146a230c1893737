"""What a run tells of its events, by hand: losses and errors of every tick are given."""

from types import SimpleNamespace

import numpy as np
import pytest

from sim.foundations.ports import Event, SpotStatus
from sim.results.events import during, event_figures, mirrors_taken_over, reach_of, still_out
from tests.made_traces import made_epoch, made_traces
from tests.results.runs import settings

TICK_S = 2.0**-12  # a power of two, so that sums of ticks are exact
INTERVAL = 8
END = 160
START = made_epoch(0.0, 8, 4, commanded=False)  # A00-A03 to B00-B03


def at(tick):
    return tick * TICK_S


def ms(ticks):
    return 1e3 * ticks * TICK_S


def event(mirrors, first, last, name="a knock", **more):
    flags = np.isin(np.arange(8), mirrors)
    return SimpleNamespace(event=Event(name, at(first), at(last), at(first)), mirrors=flags, **more)


def traces_of(losses=(), errors=(), **changes):
    """A run in which (tick, connection, dB) and (tick, mirror, urad) are as given, others nought.

    A span of ticks may stand for a tick.
    """
    loss, error = np.zeros((END, 4)), np.zeros((END, 8, 2))
    for tick, connection, db in losses:
        loss[np.asarray(tick) - 1, connection] = db
    for tick, mirror, urad in errors:
        error[np.asarray(tick) - 1, mirror, 1] = 1e-6 * urad
    return made_traces(
        error, loss, tolerance_rad=20e-6, outage_db=1.0, interval_ticks=INTERVAL, tick_s=TICK_S,
        **changes,
    )  # fmt: skip


def figures(events, traces, epochs=(START,), crosstalk=None, dwell=10):
    return event_figures(
        events, traces, epochs, settings(dwell_ms=ms(dwell)), ports=4, crosstalk=crosstalk
    )


def test_one_event_by_hand():
    losses = (np.arange(25, 53), 0, 2.0), (31, 0, 7.0), (60, 1, 3.0), (3, 0, 9.0)
    errors = (np.arange(22, 59), 0, 50.0), (50, 5, 90.0)
    found = figures([event([0, 4], 20, 40)], traces_of(losses, errors))
    (row,) = found["rows"]
    assert row == {
        "name": "a knock", "from_ms": ms(20), "to_ms": ms(40), "ends": True,
        "looked_at_to_ms": ms(END), "lasts_to_ms": ms(40),
        "mirrors": 2, "mirror_names": ["A00", "B00"], "connections": 1,
        "worst": {"name": "in 0 -> out 0", "excess_db": 7.0, "at_ms": ms(32)},
        "others": {"name": "in 1 -> out 1", "excess_db": 3.0, "at_ms": ms(64)},
        "outage_ms": ms(28), "outage_total_ms": ms(28), "connections_out": 1,
        "recovery_ms": ms(52 - 40), "slowest": "in 0 -> out 0", "still_out": [],
        "settled_ms": ms(58 - 40), "crosstalk": None,
    }  # fmt: skip
    rest = {key: found[key] for key in ("recovery_ms", "outage_ms", "crosstalk_db")}
    assert rest == {"recovery_ms": ms(12), "outage_ms": ms(28), "crosstalk_db": None}


def test_what_is_back_before_the_event_is_over_takes_no_time():
    (row,) = figures([event([0], 20, 100)], traces_of([(30, 0, 2.0)], [(31, 0, 99.0)]))["rows"]
    assert (row["recovery_ms"], row["settled_ms"], row["outage_ms"]) == (0.0, 0.0, ms(1))
    (row,) = figures([event([0], 20, 100)], traces_of())["rows"]
    assert (row["slowest"], row["recovery_ms"], row["connections_out"]) == (None, 0.0, 0)


def test_the_slowest_connection_is_an_own_one_and_totals_are_sums():
    losses = (np.arange(30, 60), 0, 2.0), (np.arange(50, 91), 2, 2.0), (120, 3, 5.0)
    found = figures([event([0, 1, 2], 20, 40)], traces_of(losses))
    (row,) = found["rows"]
    assert row["slowest"] == "in 2 -> out 2" and row["recovery_ms"] == ms(90 - 40)
    assert row["outage_ms"] == ms(41) and row["outage_total_ms"] == ms(30 + 41)
    assert (row["connections"], row["connections_out"]) == (3, 2)
    assert row["others"]["name"] == "in 3 -> out 3"


@pytest.mark.parametrize(("last", "back"), [(END - 10, True), (END - 9, False)])
def test_back_means_for_a_whole_dwell_time(last, back):
    light = figures([event([0], 20, 40)], traces_of([(last, 0, 2.0)]))
    assert light["recovery_ms"] == (ms(last - 40) if back else None)
    assert light["rows"][0]["still_out"] == ([] if back else ["in 0 -> out 0"])
    (row,) = figures([event([0], 20, 40)], traces_of(errors=[(last, 0, 99.0)]))["rows"]
    assert row["settled_ms"] == (ms(last - 40) if back else None)


def test_one_that_is_not_back_leaves_no_slowest_time():
    events = [event([0], 20, 40), event([1], 20, 40)]
    found = figures(events, traces_of([(60, 0, 2.0), (END, 1, 2.0)]))
    assert found["rows"][0]["recovery_ms"] == ms(20) and found["recovery_ms"] is None
    found = figures(events, traces_of([(60, 0, 2.0), (70, 1, 2.0), (71, 1, 2.0)]))
    assert found["recovery_ms"] == ms(31) and found["outage_ms"] == ms(2)


def test_an_event_without_end_has_no_recovery():
    forever = event([0], 20, 10 * END)
    found = figures([forever], traces_of([(np.arange(30, END + 1), 0, 2.0)]))
    (row,) = found["rows"]
    assert not row["ends"] and row["to_ms"] is None and row["still_out"] == []
    assert row["recovery_ms"] is None and row["settled_ms"] is None
    assert row["lasts_to_ms"] == row["looked_at_to_ms"] == ms(END)
    # What set it off may be over sooner than what is left of it.
    forever.ends_s = at(40)
    (row,) = figures([forever], traces_of([(50, 0, 2.0)]))["rows"]
    assert row["ends"] and row["to_ms"] == ms(40) and row["recovery_ms"] == ms(10)


@pytest.mark.parametrize(("count", "named"), [(6, 6), (7, 6), (8, 6)])
def test_of_many_mirrors_the_first_and_the_last_are_named(count, named):
    (row,) = figures([event(range(count), 20, 40)], traces_of())["rows"]
    names = ["A00", "A01", "A02", "A03", "B00", "B01", "B02", "B03"]
    assert row["mirrors"] == count and len(row["mirror_names"]) == named
    assert row["mirror_names"] == [*names[:5], names[count - 1]]


@pytest.mark.parametrize(
    ("others", "moves", "last"),
    [
        ([([1, 2], 80)], [], 80),  # one mirror of two is enough
        ([([2, 3], 80)], [], END),
        ([([1, 2], 40)], [], END),  # begins while the other acts: together
        ([([1, 2], 96), ([0], 80)], [], 80),
        ([], [(64, True)], 64),
        ([], [(64, False)], END),
        ([], [(16, True)], END),
        ([([0], 80)], [(64, True), (72, True)], 64),
    ],
)
def test_an_event_is_looked_at_until_the_next_of_its_mirrors(others, moves, last):
    own = event([0, 1], 24, 40)
    epochs = [START, *(made_epoch(at(t), 8, 4, commanded=c) for t, c in moves)]
    every = [own, *(event(mirrors, first, first + 8) for mirrors, first in others)]
    reach = reach_of(own, every, traces_of(), epochs)
    assert reach.to_s == at(last)
    np.testing.assert_array_equal(reach.rows, np.arange(24 // INTERVAL, last // INTERVAL))
    assert reach.own.tolist() == [True, True, False, False]
    assert reach.epoch is (epochs[1] if moves and moves[0][0] <= 24 else START)


def test_connections_are_those_at_its_start():
    moved = made_epoch(at(16), 8, 4, outputs=[1, 0, 3, 2])._replace(
        pairs=np.array([[0, 5], [1, 4], [2, 7], [3, 6]])
    )
    (row,) = figures([event([4], 24, 40)], traces_of([(30, 1, 4.0)]), [START, moved])["rows"]
    assert row["worst"]["name"] == row["slowest"] == "in 1 -> out 0"
    assert row["others"]["excess_db"] == 0.0
    unowned = figures([event([], 24, 40)], traces_of())["rows"][0]
    assert unowned["worst"] is None and unowned["slowest"] is None and unowned["outage_ms"] == 0.0
    at_end = figures([event([0], END, END + 8)], traces_of())["rows"][0]
    assert at_end["worst"] is None and not at_end["ends"]


def test_frames_without_a_picture_and_the_strongest_crosstalk():
    frames = np.zeros((len(SpotStatus), 8), np.int32)
    frames[SpotStatus.NO_FRAME, 1], frames[SpotStatus.BAD_ROWS, 2] = 3, 4
    frames[SpotStatus.OK] = 50
    found = figures(
        [event([0], 20, 40), event([1], 20, 40), event([2], 20, 40)],
        traces_of(status_frames=frames), crosstalk={0: {"db": 61.0}, 2: {"db": 45.0}},
    )  # fmt: skip
    assert found["missed_frames"] == 7 and found["crosstalk_db"] == 45.0
    assert [row["crosstalk"] for row in found["rows"]] == [{"db": 61.0}, None, {"db": 45.0}]


def test_mirrors_out_of_the_hands_of_their_loops():
    events = [event([0], 1, 2, takes_over=True), event([3], 1, 2), event([5], 1, 2, takes_over=1)]
    assert np.flatnonzero(mirrors_taken_over(events, 8)).tolist() == [0, 5]
    assert not mirrors_taken_over([], 8).any()


def test_who_is_still_out_in_words_and_what_a_moment_falls_into():
    row = {
        "name": "a knock", "ends": True, "from_ms": 10.0, "to_ms": 20.0, "looked_at_to_ms": 100.0,
        "recovery_ms": 5.0, "settled_ms": 8.0, "still_out": [],
    }  # fmt: skip

    def of(**changes):
        return {"events": {"rows": [row | changes]}}

    assert still_out(of()) == ()
    assert still_out(of(still_out=["a", "b", "c"])) == (
        "a, b, c still out at 100 ms, 80 ms after a knock",
    )
    assert still_out(of(still_out=["a", "b", "c", "d", "e"]))[0].startswith("a, b, c and 2 more ")
    # Its way back is part of it: to 28 ms, with a millisecond for sparse samples.
    for at_ms, inside in ((10.0, False), (10.5, True), (29.0, True), (29.5, False)):
        assert during(of(), 1e-3 * at_ms) == ("a knock" if inside else "")
    assert during(of(settled_ms=None), 25.5e-3) and not during(of(settled_ms=None), 26.5e-3)
    assert during(of(recovery_ms=None), 90e-3) and during(of(ends=False), 90e-3)
    assert during(of(), None) == ""
