"""Crosstalk of a wiring and of a move, assignment, and the bulk move through the loop."""

import json
from itertools import permutations

import numpy as np
import pytest
from click.testing import CliRunner

from sim.cli.main import cli
from sim.scenario.gallery import find
from sim.scenario.model import load_scenario
from sim.studies.connections.assignment import least_maximum, least_sum
from sim.studies.connections.table import Maker
from sim.studies.connections.traffic import Path, assigned, moving, standing, wirings

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
