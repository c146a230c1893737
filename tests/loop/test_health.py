"""A health watch in the loop: what it finds, what the switch does about it, and the same bits."""

import collections
import dataclasses
from typing import NamedTuple

import numpy as np
import pytest

from sim.assembly.build import build
from sim.foundations.errors import PlugInError, ScenarioError
from sim.foundations.ports import Effects, FaultKind
from sim.health.thresholds import Thresholds, ThresholdsParams
from sim.loop.saved import load_state, save_state
from sim.loop.simulate import finished, simulate, steps
from sim.loop.state import copy_state, initial_state
from sim.scenario.gallery import find
from sim.scenario.model import load_scenario
from tests.health.model_fleet import PLANT

HUT = ("switch.geometry.ports_per_side=20", "switch.geometry.columns=5", "duration_ms=260",
       "metrics.hold_from_ms=20", "disturbances=[]",
       "switch.connections=[[0,3],[1,4],[2,5],[6,0],[7,1],[8,9],[9,10],[10,11]]")  # fmt: skip
WATCH = ('health.watch={kind="thresholds",settle_ms=10,mean_urad=150,scatter_urad=400}',
         "health.react_ms=20")  # fmt: skip
SPARES = ("health.spare_inputs=[15,3]", "health.spare_outputs=[2]")
BEGINS = 90
A_MIRROR, B_MIRROR = 2, 9


class Kick(NamedTuple):
    """A disturbance that sends the rest angles of some mirrors off: 60 urad a frame."""

    mirrors: int
    columns: tuple[int, ...]

    def initial_state(self):
        return None

    def advance(self, state, first, count):
        rest = np.zeros((count + 1, self.mirrors, 2))
        ramp = 60e-6 * np.maximum(np.arange(first, first + count + 1) - BEGINS, 0)
        rest[:, list(self.columns)] = ramp[:, None, None]
        return None, Effects(rest_rad=rest)


def parts_of(*settings, kicked=(A_MIRROR,)):
    scenario = load_scenario(find("harrow_point_reconfigure"), (*HUT, *settings))
    scenario = scenario.replace(switch=scenario.switch.replace(moves=()))
    parts = build(scenario).parts
    kick = Kick(len(parts.mirrors), kicked)
    return dataclasses.replace(parts, disturbances=(*parts.disturbances, kick))


def last(states):
    """Return the state that a run ends with."""
    return collections.deque(states, maxlen=1).pop()


def same(one, two):
    return all(
        np.array_equal(a, b, equal_nan=True)
        for a, b in zip(one.arrays().values(), two.arrays().values(), strict=True)
    )


def test_a_watch_that_reports_changes_no_bit():
    watched, alone = simulate(parts_of(*WATCH)), simulate(parts_of())
    assert same(watched.traces, alone.traces)
    (alarm,) = watched.alarms
    assert (alarm.mirror, alarm.kind, alarm.action) == (A_MIRROR, FaultKind.DRIFTING, "report")
    assert BEGINS < alarm.frame < BEGINS + 40 and alarm.acts_frame == alarm.frame + 20


def test_a_held_mirror_keeps_its_correction():
    result = simulate(parts_of(*WATCH, 'health.actions.drifting="hold"'))
    acts = result.alarms[0].acts_frame
    correction = result.traces.correction_rad[:, A_MIRROR]
    assert (correction[acts - 5 : acts][1:] != correction[acts - 5 : acts][:-1]).any()
    assert (correction[acts:] == correction[acts]).all()


def test_a_mirror_that_is_aimed_afresh_starts_without_correction():
    result = simulate(parts_of(*WATCH, 'health.actions.drifting="re_aim"'))
    acts, other = result.alarms[0].acts_frame, 0
    correction = np.abs(result.traces.correction_rad)
    assert correction[acts - 1, A_MIRROR].max() > 3 * correction[acts, A_MIRROR].max()
    assert result.alarms[1].mirror == A_MIRROR and result.alarms[1].frame > acts
    alone = simulate(parts_of())
    assert (result.traces.correction_rad[:, other] == alone.traces.correction_rad[:, other]).all()


@pytest.mark.parametrize(("column", "side"), [(A_MIRROR, 0), (B_MIRROR + 2, 1)])
def test_a_connection_moves_to_a_spare_and_has_light_there(column, side):
    parts = parts_of(*WATCH, *SPARES, 'health.actions.drifting="re_route"', kicked=(column,))
    result = simulate(parts)
    (alarm,) = result.alarms
    spare = int(parts.mirrors[alarm.spare])
    assert spare == (15 if side == 0 else 22)  # the first spare of its own side
    first, second = result.parts.epochs
    row = int(np.flatnonzero(first.pairs[:, side] == column)[0])
    assert second.pairs[row, side] == alarm.spare
    assert second.pairs[row, 1 - side] == first.pairs[row, 1 - side]
    others = np.arange(len(first.pairs)) != row
    assert (second.pairs[others] == first.pairs[others]).all()
    # The aims of the new pair are those of a scenario that connects it in the first place.
    assert (second.moved == (second.aim_rad != first.aim_rad).any(axis=1)).all()
    assert second.moved.sum() == 2 and second.start_s == alarm.acts_frame * 1e-3
    # Light: at the aim again, while the mirror that was left goes on drifting.
    assert result.traces.excess_db[-1, row] < 0.1
    assert result.traces.excess_db[alarm.acts_frame + 60, row] < 0.1


def test_aims_of_a_spare_are_those_of_a_switch_wired_that_way():
    parts = parts_of(*WATCH, *SPARES, 'health.actions.drifting="re_route"')
    second = simulate(parts).parts.epochs[1]
    other = load_scenario(find("harrow_point_reconfigure"), (
        *HUT[:-1], "switch.connections=[[0,3],[1,4],[15,5],[6,0],[7,1],[8,9],[9,10],[10,11]]",
    ))  # fmt: skip
    there = build(other.replace(switch=other.switch.replace(moves=()))).parts
    wired, row = there.epochs[0], int(np.flatnonzero(there.inputs == 15)[0])
    for side in (0, 1):
        found = second.aim_rad[second.pairs[2, side]]
        assert found == pytest.approx(wired.aim_rad[wired.pairs[row, side]])
    assert second.aligned_db[2] == pytest.approx(wired.aligned_db[row])


def test_with_no_spare_left_the_mirror_is_held():
    columns = (0, 1, 2)  # three of array A, two spare inputs
    result = simulate(
        parts_of(*WATCH, *SPARES, 'health.actions.drifting="re_route"', kicked=columns)
    )
    actions = sorted(alarm.action for alarm in result.alarms if alarm.mirror in columns)
    assert actions == ["hold", "re_route", "re_route"]
    spares = [alarm.spare for alarm in result.alarms if alarm.spare >= 0]
    assert len(set(spares)) == len(spares)


@pytest.mark.parametrize("action", ["hold", "re_aim", "re_route"])
def test_a_run_that_stops_and_goes_on_has_the_same_bits(action, tmp_path):
    parts = parts_of(*WATCH, *SPARES, f'health.actions.drifting="{action}"')
    whole = simulate(parts)
    acts = whole.alarms[0].acts_frame
    for number, cut in enumerate((acts - 21, acts - 3, acts)):
        state = last(steps(parts, initial_state(parts), until=cut))
        save_state(parts, copy_state(state), tmp_path / f"{number}.npz")
        state = last(steps(parts, load_state(parts, tmp_path / f"{number}.npz")))
        resumed = finished(parts, state)
        assert same(resumed.traces, whole.traces), cut
        np.testing.assert_equal(resumed.alarms, whole.alarms)


def test_the_shipped_watch_is_saved_to_the_same_bits(tmp_path):
    parts = parts_of('health.watch={kind="cusum",learn_ms=40,window_frames=16,'
                     'false_alarms_per_mirror_1000h=1e5}')
    state = last(steps(parts, initial_state(parts), until=83))
    save_state(parts, copy_state(state), tmp_path / "a.npz")
    resumed = last(steps(parts, load_state(parts, tmp_path / "a.npz")))
    whole = last(steps(parts, initial_state(parts)))
    np.testing.assert_equal(resumed.health, whole.health)
    assert [alarm.mirror for alarm in whole.health.alarms][:1] == [A_MIRROR]


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        (("health.react_ms=10",), r"health.react_ms: must be 17 frames at least, 17 ms \(got 10\)"),
        (('health.actions.lost="re_route"',), "re_route needs health.spare_inputs or"),
        (("health.spare_inputs=[0]",), "health.spare_inputs: port 0 has a connection in this run"),
        (("health.spare_outputs=[20]",), r"health.spare_outputs: ports are 0 to 19 \(got 20\)"),
        (('health.watch.kind="cusun"',), 'unknown health watch "cusun". Did you'),
        (('health.actions.weak="reroute"',), "health.actions.weak"),
    ],
)
def test_what_cannot_be_is_refused_by_name(settings, message):
    with pytest.raises(ScenarioError, match=message):
        parts_of(*WATCH, *settings)


def test_a_watch_that_gives_no_findings_is_named():
    class Silent(Thresholds):
        def step(self, state, sight):
            return state, None

    parts = parts_of(*WATCH)
    silent = Silent(ThresholdsParams(), PLANT)
    parts = dataclasses.replace(parts, health=parts.health._replace(watch=silent))
    with pytest.raises(PlugInError, match="Silent.*gave NoneType, not Findings"):
        simulate(parts)
