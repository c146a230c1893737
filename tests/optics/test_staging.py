"""Stages of a move: who is sent where in which frame, and what is refused."""

import numpy as np
import pytest

from sim.foundations.errors import ScenarioError
from sim.optics.staging import staged
from sim.optics.switch import MoveParams

MIRRORS = np.array([0, 1, 4, 5])  # A00, A01 and, with four inputs, B00, B01
BEFORE = np.zeros((4, 2))
AFTER = np.array([[1.0, 2.0], [3.0, 4.0], [5.0, 6.0], [0.0, 0.0]])
FRAME_S = 1e-3


def stages(*rows, end=100):
    move = MoveParams(at_ms=10.0, connections="random", stages=rows)
    return staged(move, "key", MIRRORS, 4, (BEFORE, AFTER), frame_s=FRAME_S, end=end)


def row(after_ms, mirrors, axes="both"):
    return {"after_ms": after_ms, "mirrors": mirrors, "axes": axes}


def test_each_stage_sends_its_own_mirrors_and_axes():
    found = stages(row(0.0, ["A1"], "x"), row(2.5, "B"), row(7.0, ["A01"], "y"), row(7.0, ["A00"]))
    assert [s.frame for s in found] == [10, 13, 17]  # 12.5 ms waits for the next frame
    np.testing.assert_array_equal(found[0].aim_rad, [[0, 0], [3, 0], [0, 0], [0, 0]])
    np.testing.assert_array_equal(found[1].aim_rad, [[0, 0], [3, 0], [5, 6], [0, 0]])
    np.testing.assert_array_equal(found[2].aim_rad, AFTER)


def test_a_mirror_that_stays_needs_no_stage():
    assert len(stages(row(0.0, "A"), row(1.0, ["B00"]))) == 2  # B01 keeps its aim


@pytest.mark.parametrize(
    "rows, message",
    [
        ([row(0.0, "A")], r"key: axis x of mirror B00 moves, but is in none"),
        ([row(0.0, "A", "x"), row(1.0, "B")], r"key: axis y of mirror A00 moves"),
        ([row(0.0, "A"), row(1.0, ["A01"])], r"key.1.mirrors: axis x of mirror A01 is in two"),
        ([row(3.0, "A"), row(1.0, "B")], r"key.1.after_ms: stages must come in order"),
        ([row(0.0, "A"), row(90.0, "B")], r"less than 90 ms after the command .got 90."),
        ([row(0.0, ["A03"])], r"key.0.mirrors: mirrors must carry light.*'A03'"),
        ([row(0.0, ["A04"])], r"key.0.mirrors: mirrors must carry light.*'A04'"),
    ],
)  # fmt: skip
def test_stages_that_do_not_fit_are_refused_by_key(rows, message):
    with pytest.raises(ScenarioError, match=message):
        stages(*rows)
