"""What each command connects: numbers of mirrors, times, aims, and who is moved."""

import numpy as np
import pytest
from pydantic import ValidationError

from sim.foundations.errors import ScenarioError
from sim.foundations.ports import Clock
from sim.optics.budgets import BudgetParams
from sim.optics.epochs import connected_epochs, rewired
from sim.optics.geometry import SwitchGeometry, connect
from sim.optics.params import OpticsParams
from sim.optics.switch import budget_of, wire
from tests.optics.test_built import OPTICS, switch

CLOCK = Clock(1e-4, 10, 60)


def moved_by(*moves, start=((3, 7), (0, 5))):
    params = switch().replace(
        connections=start,
        moves=tuple({"at_ms": at_ms, "connections": pairs} for at_ms, pairs in moves),
    )
    return params, connected_epochs(params, CLOCK, seed=1, population_seed=1)


def test_commands_of_a_run():
    # The second command changes nothing; the third moves one connection to a fresh output.
    params, (mirrors, inputs, epochs, frames) = moved_by(
        (12.0, ((0, 7), (3, 5))), (20.0, ((0, 7), (3, 5))), (31.2, ((0, 7), (3, 90)))
    )
    assert inputs.tolist() == [0, 3] and mirrors.tolist() == [0, 3, 96 + 5, 96 + 7, 96 + 90]
    assert frames == (0, 12, 20, 32)  # at the next frame
    assert [e.start_s for e in epochs] == pytest.approx([0.0, 12e-3, 20e-3, 32e-3])
    assert [e.commanded for e in epochs] == [False, True, True, True]
    assert [e.outputs.tolist() for e in epochs] == [[5, 7], [7, 5], [7, 5], [7, 90]]
    assert [e.pairs.tolist() for e in epochs] == [
        [[0, 2], [1, 3]], [[0, 3], [1, 2]], [[0, 3], [1, 2]], [[0, 3], [1, 4]],
    ]  # fmt: skip
    assert [e.moved.tolist() for e in epochs] == [
        [False] * 5, [True, True, True, True, False], [False] * 5, [False, True, False, False, True]
    ]  # fmt: skip
    geometry = SwitchGeometry.from_params(params.geometry)
    aim = np.zeros((5, 2))
    for e in epochs:
        found = connect(geometry, inputs, e.outputs)
        aim[e.pairs[:, 0]], aim[e.pairs[:, 1]] = found.tilt_a_rad, found.tilt_b_rad
        np.testing.assert_array_equal(e.aim_rad, aim)  # a mirror without light keeps its aim
        assert e.aligned_db.shape == (2,) and e.form_db.shape == (2, 4, 4)


@pytest.mark.parametrize(("move", "room_ms"), [(0, 8), (1, 40)])
def test_stages_end_before_the_next_move_or_the_end_of_the_run(move, room_ms):
    moves = [
        {"at_ms": 12.0, "connections": ((0, 7), (3, 5))},
        {"at_ms": 20.0, "connections": ((0, 5), (3, 7))},
    ]

    def staged(after_ms):
        stages = [{"after_ms": 0.0, "mirrors": "A"}, {"after_ms": after_ms, "mirrors": "B"}]
        own = [m | ({"stages": stages} if i == move else {}) for i, m in enumerate(moves)]
        params = switch().replace(connections=((3, 7), (0, 5)), moves=tuple(own))
        return connected_epochs(params, CLOCK, seed=1, population_seed=1)[2]

    frames = [s.frame for s in staged(room_ms - 1.0)[move + 1].stages]
    assert frames == [12 + 8 * move, 11 + 8 * move + room_ms]
    with pytest.raises(ScenarioError, match=f"less than {room_ms} ms after the command"):
        staged(float(room_ms))


@pytest.mark.parametrize(
    ("moves", "match"),
    [
        (((60.0, ((0, 1), (3, 2))),), "moves.0.at_ms: must lie inside the run of 60 ms .got 60"),
        (((9.0, ((0, 1), (3, 2))), (9.0, ((0, 2), (3, 1)))), "moves.1.at_ms: moves must come in"),
        (((9.0, ((0, 1), (4, 2))),), r"connects the same inputs as the start, \[0, 3\]"),
        (((9.0, ((0, 1), (3, 1))),), "moves.0.connections: output port 1 is used 2 times"),
        (((9.0, ((96, 1), (3, 2))),), "input port must be below ports_per_side = 96 .got 96"),
    ],
)
def test_commands_that_cannot_be_are_refused(moves, match):
    with pytest.raises(ScenarioError, match=match):
        moved_by(*moves)
    assert moved_by((59.0, ((0, 1), (3, 95))))[1][3] == (0, 59)


def test_patterns():
    assert [p.tolist() for p in wire("identity", (4, 4), 1, 0, "")] == [[0, 1, 2, 3]] * 2
    assert [p.tolist() for p in wire("reversed", (3, 5), 1, 0, "")] == [[0, 1, 2], [4, 3, 2]]
    drawn = [wire("random", (96, 96), seed, number, "")[1] for seed in (1, 2) for number in (0, 1)]
    for outputs in drawn:
        assert sorted(outputs.tolist()) == list(range(96))
    assert len({tuple(outputs.tolist()) for outputs in drawn}) == 4
    np.testing.assert_array_equal(drawn[0], wire("random", (96, 96), 1, 0, "")[1])


@pytest.mark.parametrize("key", ["waist_um", "receiving_waist_um"])
def test_a_waist_is_no_smaller_than_the_wavelength(key):
    assert getattr(OpticsParams.model_validate(OPTICS | {key: 1.31}), key) == 1.31
    with pytest.raises(ValidationError, match=f"{key} must be at least the wavelength, 1.31 um"):
        OpticsParams.model_validate(OPTICS | {key: 1.3099})


def test_mirrors_are_no_wider_than_either_pitch():
    assert switch().replace(optics=OPTICS | {"mirror_radius_um": 750.0}).optics is not None
    for geometry, radius_um in (({}, 751.0), ({"output_pitch_mm": 1.2}, 601.0)):
        with pytest.raises(ValidationError, match="must not be wider than the pitch"):
            switch(**geometry).replace(optics=OPTICS | {"mirror_radius_um": radius_um})


def test_spare_ports_take_part_and_are_checked():
    params = switch().replace(connections=((3, 7), (0, 5)))

    def mirrors(inputs=(), outputs=()):
        spares = (inputs, outputs)
        return connected_epochs(params, CLOCK, seed=1, population_seed=1, spares=spares)[0].tolist()

    assert mirrors((95, 1), (0,)) == [0, 1, 3, 95, 96, 96 + 5, 96 + 7]
    for side, spares in (
        ("inputs", ((96,), ())), ("outputs", ((), (96,))), ("inputs", ((-1,), ())),
    ):  # fmt: skip
        with pytest.raises(ScenarioError, match=f"spare_{side}: ports are 0 to 95 .got "):
            mirrors(*spares)
    for side, spares in (("inputs", ((1, 3), ())), ("outputs", ((), (7,)))):
        with pytest.raises(ScenarioError, match=f"spare_{side}: port . has a connection"):
            mirrors(*spares)


def test_a_connection_by_way_of_other_mirrors():
    params = switch().replace(connections=((3, 7), (0, 5)))
    mirrors, _, (epoch,), _ = connected_epochs(
        params, CLOCK, seed=1, population_seed=1, spares=((1,), (9,))
    )
    assert mirrors.tolist() == [0, 1, 3, 96 + 5, 96 + 7, 96 + 9]
    pairs = np.array([[1, 3], [2, 5]])  # input 0 by mirror A01, output 7 by mirror B09
    geometry = SwitchGeometry.from_params(params.geometry)
    found = connect(geometry, np.array([1, 3]), np.array([5, 9]))
    before = epoch.aim_rad.copy()
    before[2] = found.tilt_a_rad[1] + [0.0, 1e-6]  # one axis of it moves
    before[3] = found.tilt_b_rad[0]  # does not move
    after = rewired(
        params, mirrors, epoch, before, pairs, frame=12, frame_s=1e-3, population_seed=1
    )
    assert after.start_s == pytest.approx(12e-3) and after.commanded
    assert after.outputs.tolist() == epoch.outputs.tolist() == [5, 7]  # they keep their names
    np.testing.assert_array_equal(after.pairs, pairs)
    np.testing.assert_array_equal(after.aim_rad[[1, 2]], found.tilt_a_rad)
    np.testing.assert_array_equal(after.aim_rad[[3, 5]], found.tilt_b_rad)
    np.testing.assert_array_equal(after.aim_rad[[0, 4]], before[[0, 4]])
    assert after.moved.tolist() == [False, True, True, False, False, True]
    ((frame, aim),) = after.stages
    assert frame == 12 and aim is after.aim_rad
    assert after.aligned_db.shape == (2,) and after.form_db.shape == (2, 4, 4)


def test_ports_of_unequal_sides_are_held_against_their_own_number():
    for ports, pairs, side in (
        ((4, 6), ((4, 0),), "input"), ((4, 6), ((0, 6),), "output"),
        ((6, 4), ((6, 0),), "input"), ((6, 4), ((0, 4),), "output"),
    ):  # fmt: skip
        with pytest.raises(ScenarioError, match=f"key: {side} port must be below"):
            wire(pairs, ports, 1, 0, "key")
    for pairs, side in ((((0, 1), (0, 2)), "input"), (((0, 2), (1, 2)), "output")):
        with pytest.raises(ScenarioError, match=f"{side} port . is used 2 times"):
            wire(pairs, (4, 6), 1, 0, "key")
    assert [p.tolist() for p in wire(((3, 5), (0, 1)), (4, 6), 1, 0, "key")] == [[0, 3], [1, 5]]


def test_a_budget_that_is_wanted_is_there_or_asked_for():
    budget = BudgetParams(acceptance_db=2.0, end_of_life_db=3.0)
    assert budget_of(switch().replace(budget=budget), "x") == budget
    with pytest.raises(ScenarioError, match="switch.budget: required for x, but missing"):
        budget_of(switch(), "x")
