"""Frames under events and those beside them: which path they take, and with the same bits."""

import numpy as np
import pytest

from sim.assembly.build import build
from sim.loop.simulate import simulate
from sim.scenario.model import load_scenario
from tests.loop.test_steps import ROOT, parts_of_result, same

HUT = ("switch.geometry.ports_per_side=20", "switch.geometry.columns=5", "metrics.hold_from_ms=20",
       "duration_ms=200", "switch.moves.0.at_ms=60", "traces.sample_hz=1000")  # fmt: skip
DROP = 'events=[{kind="frames_dropped",at_ms=100,frames=3}]'
NOTHING = 'events=[{kind="frames_dropped",at_ms=50,share_pct=1e-9}]'


def parts(*sets):
    path = ROOT / "scenarios" / "harrow_point_reconfigure.toml"
    return build(load_scenario(path, (*HUT, *sets))).parts


def test_an_event_that_does_nothing_changes_no_bit():
    same(parts_of_result(simulate(parts(NOTHING))), parts_of_result(simulate(parts())))


@pytest.mark.parametrize("latency", [200, 700, 2300])
def test_frames_before_an_event_are_those_of_a_run_without(latency):
    own = f"camera.latency_us={latency}"
    result, plain = simulate(parts(own, DROP)), simulate(parts(own))
    one, other = parts_of_result(result), parts_of_result(plain)
    first = 100
    for name, value in one.items():
        if np.shape(value)[:1] == (200,):
            assert np.array_equal(value[:first], other[name][:first], equal_nan=True), name
    assert not np.array_equal(one["correction_rad"][first:], other["correction_rad"][first:])
    assert 150 < result.spent.fused_frames < 200
    same(one, parts_of_result(simulate(parts(own, DROP), fused=False)))
