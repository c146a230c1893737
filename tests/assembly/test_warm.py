"""Mirrors that steady light bends: by how much, and no further than mirrors may be bent."""

from types import SimpleNamespace

import pytest

from sim.assembly.warm import warm_switch
from sim.foundations.errors import ScenarioError
from sim.optics.build_errors import BuildParams
from tests.optics.test_built import switch


def bending(by_per_m):
    part = SimpleNamespace(warm_curvature_per_m=lambda settings: settings * by_per_m)
    return [SimpleNamespace(part=part, settings=1.0)]


def test_curvature_is_added_to_that_of_the_build():
    cold = switch({"mirror_curvature_per_m": 0.25})
    assert warm_switch(cold, bending(0.5)).build.mirror_curvature_per_m == 0.75
    assert warm_switch(switch(), bending(0.5)).build == BuildParams(mirror_curvature_per_m=0.5)
    assert warm_switch(cold, bending(0.0)) is cold and warm_switch(cold, []) is cold


def test_a_mirror_bent_too_far_is_refused_with_the_rule():
    with pytest.raises(ScenarioError, match="bends the mirrors by 99.9 1/m, to 100.2 1/m in all"):
        warm_switch(switch({"mirror_curvature_per_m": 0.25}), bending(99.9))
