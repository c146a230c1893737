"""Crosstalk of a wiring and of a move, assignment, and the bulk move through the loop."""

import json
from itertools import permutations

import numpy as np
import pytest
from click.testing import CliRunner

from sim.cli.main import cli
from sim.scenario.gallery import find
from sim.scenario.model import load_scenario
from sim.studies.connections import traffic
from sim.studies.connections.assignment import least_maximum, least_sum
from sim.studies.connections.moves import Found, Path, wirings
from sim.studies.connections.plan import X_FIRST, Plan, planned, staged_tilts, ways_at
from sim.studies.connections.summary import crosstalk_words
from sim.studies.connections.table import Maker
from sim.studies.connections.traffic import assigned, moving, standing

SMALL = ["switch.geometry.ports_per_side=12", "switch.geometry.columns=4"]


def case(*more):
    return load_scenario(find("harrow_point_reconfigure"), [*SMALL, *more])


def maker(scenario):
    return Maker(scenario.switch, scenario.mirror, scenario.seeds.population)


# By brute force over all permutations; the first is the textbook's, greedy gives 6 and 17 or 18.
@pytest.mark.parametrize(
    "cost, total, columns, largest",
    [
        ([[4, 1, 3], [2, 0, 5], [3, 2, 2]], 5, [1, 0, 2], 2),
        ([[7, 2, 1, 9, 4], [9, 6, 9, 6, 5], [3, 8, 3, 1, 8], [7, 9, 4, 2, 2], [8, 4, 7, 4, 8]],
         15, [2, 4, 0, 3, 1], 5),
    ],
)  # fmt: skip
def test_assignment_is_brute_force(cost, total, columns, largest):
    cost = np.array(cost, dtype=float)
    rows = np.arange(len(cost))
    every = [cost[rows, list(p)] for p in permutations(range(len(cost)))]
    assert min(one.sum() for one in every) == total
    assert min(one.max() for one in every) == largest
    np.testing.assert_array_equal(least_sum(cost), columns)
    chosen = cost[rows, least_maximum(cost)]
    assert chosen.max() == largest
    assert chosen.sum() == min(one.sum() for one in every if one.max() == largest)


def test_more_outputs_than_inputs_may_be_chosen_from():
    cost = np.array([[5.0, 1.0, 9.0], [5.0, 2.0, 3.0]])
    np.testing.assert_array_equal(least_sum(cost), [1, 2])


def test_standing_beams_are_far_down_and_moving_ones_are_not():
    scenario = case()
    made = maker(scenario)
    still, move = standing(scenario, made), moving(scenario, made)
    assert still["worst_pair_db"] > 60.0
    assert still["worst_output_sum_db"] <= still["worst_pair_db"]
    # Mirrors B that stand look at their own inputs alone: what crosses them is turned aside.
    assert move["mirrors_a_first"]["worst_pair_db"] > move["together"]["worst_pair_db"]


def test_choosing_outputs_saves_travel():
    scenario = case()
    rows = assigned(scenario, maker(scenario))
    assert rows["least_sum"]["mean_mrad"] < rows["asked"]["mean_mrad"]
    assert rows["least_max"]["max_mrad"] <= rows["least_sum"]["max_mrad"]


def test_a_path_starts_and_ends_on_the_aims():
    scenario = case()
    made = maker(scenario)
    old, new = wirings(scenario)
    path = Path.between(made, old, new)
    end = made.coupler.couple(new.inputs, new.outputs, np.zeros((12, 4))).tilt_rad
    np.testing.assert_allclose(path.at(1.0, 1.0)[:, :2], end[:, :2])
    np.testing.assert_allclose(path.at(1.0, 1.0)[path.new_of, 2:], end[:, 2:])
    start = made.coupler.couple(old.inputs, old.outputs, np.zeros((12, 4))).tilt_rad
    np.testing.assert_allclose(path.at(0.0, 0.0), start)


def test_a_move_through_the_loop(tmp_path):
    out = tmp_path / "o"
    sets = [word for text in [*SMALL, "duration_ms=220", "metrics.hold_from_ms=190"]
            for word in ("--set", text)]  # fmt: skip
    outcome = CliRunner().invoke(
        cli, ["connections", "harrow_point_reconfigure", "--move", "--out", str(out), *sets]
    )
    assert outcome.exit_code == 0, outcome.output
    bulk = json.loads((out / "connections.json").read_text())["bulk_move"]
    assert bulk["connections"] == 12 and bulk["dark"] == 0
    assert 5.0 < bulk["median_ms"] <= bulk["max_ms"] < 60.0
    assert max(bulk["time_to_light_ms"]) == bulk["max_ms"]
    assert "through the loop" in (out / "report.html").read_text()


def test_a_move_that_is_not_there_is_refused(tmp_path):
    outcome = CliRunner().invoke(
        cli, ["connections", "single_mirror_step", "--move", "--out", str(tmp_path / "o"),
              "--set", "switch.moves=[]"],
    )  # fmt: skip
    assert outcome.exit_code == 2
    assert "--move needs a move" in outcome.output


def test_a_plan_is_no_worse_than_either_array_first():
    scenario = case("switch.geometry.ports_per_side=6", "switch.geometry.columns=3")
    made = maker(scenario)
    path = Path.between(made, *wirings(scenario)[:2])
    plan = planned(path, 20.0)
    shares = tuple(np.round(np.arange(0.05, 0.96, 0.05), 2))
    every = np.ones(6, dtype=bool)
    # All A, then all B; and all B, then all A: both are plans in which no beam has a choice.
    for before in (every, ~every):
        tilts = staged_tilts(path, before, np.zeros(6, int), shares)
        assert plan.found.worst_db >= min(path.worst(one).worst_db for one in tilts) - 0.5
    # On a grid of its own, shifted against both grids of the search.
    off = tuple(np.arange(0.0125, 1.0, 0.025))
    tilts = staged_tilts(path, plan.before, plan.way, off)
    assert min(path.worst(one).worst_db for one in tilts) > plan.found.worst_db - 3.0


def test_a_plan_starts_and_ends_on_the_aims():
    scenario = case()
    path = Path.between(maker(scenario), *wirings(scenario)[:2])
    before = np.arange(12) % 2 == 0
    tilts = staged_tilts(path, before, np.full(12, X_FIRST), (0.0, 0.25, 1.0))
    np.testing.assert_allclose(tilts[0], path.start)
    np.testing.assert_allclose(tilts[-1], path.end)
    # Half of the first leg is done: x half way, y not begun; mirrors of the second stage stand.
    np.testing.assert_allclose(ways_at(0.25, np.array([X_FIRST])), [[0.5, 0.0]])
    np.testing.assert_allclose(tilts[1][1], path.start[1])


def test_the_limit_of_crosstalk_is_in_the_verdict(monkeypatch):
    budget = ["switch.budget.acceptance_db=60", "switch.budget.end_of_life_db=60"]
    scenario = case(*budget, "switch.budget.crosstalk_db=190")
    made = maker(scenario)
    # The search itself is tested above; here, that it is asked for and what is said of it.
    plan = Plan(Found(150.0, 3, 4, 149.0), 9, np.arange(12) < 5, np.zeros(12, int))
    monkeypatch.setattr(traffic, "planned", lambda path, limit_db: plan)
    found = {"standing": standing(scenario, made), "move": moving(scenario, made)}
    assert found["move"]["by_beam"]["moves_in_a_row"] == 3
    assert len(found["move"]["by_beam"]["inputs_after"]) == 7
    text, good = crosstalk_words(found, 190.0)
    assert not good and f"output {found['standing']['worst_output']}" in text
    text, good = crosstalk_words(found | {"standing": None}, 190.0)
    assert not good and "no order" in text and "input 3 into output 4" in text
    found["move"]["together"]["met"] = True
    text, good = crosstalk_words({"standing": None, "move": found["move"]}, 1.0)
    assert good and "all mirrors at once" in text
