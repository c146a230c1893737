"""Stretches of frames: what ends each, and that nothing due falls within one."""

import dataclasses
from pathlib import Path

import numpy as np
import pytest

from sim.assembly.build import build
from sim.loop.parts import Parts
from sim.loop.plan import (
    BLOCK_FRAMES,
    FIRST_FRAMES,
    MOVING_FRAMES,
    SLOW_FRAMES,
    Planner,
    Stretch,
    block_end,
    block_start,
    resonance_due,
)
from sim.scenario.model import load_scenario

SCENARIO = Path(__file__).parents[2] / "scenarios" / "harrow_point_reconfigure.toml"
FAR = 10**9


@pytest.fixture(scope="module")
def parts() -> Parts:
    """400 frames, a command at 100, pictures at 97, 101 and the last frame."""
    made = build(
        load_scenario(SCENARIO, ["duration_ms=400", "switch.geometry.ports_per_side=4",
                                 "switch.geometry.columns=2"])
    ).parts  # fmt: skip
    assert made.epoch_frames == (0, 100)
    assert [frame for _, frame in made.pictures] == [97, 101, 399]
    return made


def plan(planner: Planner, *, moving: range = range(0), first: int = 0) -> list[Stretch]:
    """All stretches of a run whose path moves in some of its frames."""
    found = []
    while first < planner.end:
        found.append(planner.next(first, FAR, moving=first in moving))
        first = found[-1].end
    return found


def test_stretches_end_for_what_is_due_and_for_nothing_else(parts: Parts) -> None:
    found = [(s.end, s.why) for s in plan(Planner(parts, fused=True))]
    assert found == [(16, "block"), (98, "picture"), (100, "command"), (102, "picture"),
                     (272, "block"), (400, "end")]  # fmt: skip


def test_moving_mirrors_and_slow_frames_make_them_shorter(parts: Parts) -> None:
    moving = plan(Planner(parts, fused=True), moving=range(100, 200))
    assert {s.frames for s in moving if s.why == "length"} == {MOVING_FRAMES}
    slow = plan(Planner(parts, fused=False), moving=range(100, 200))
    assert max(s.frames for s in slow) == SLOW_FRAMES
    assert not any(s.fused for s in slow)


@pytest.mark.parametrize("until", [1, 15, 16, 99, 100, 101, 399, 400, 999])
def test_a_run_stops_before_the_frame_that_is_asked_for(parts: Parts, until: int) -> None:
    found = plan(Planner(parts, until, fused=True))
    assert found[-1].end == min(until, 400)
    assert [s.first for s in found[1:]] == [s.end for s in found[:-1]]


def test_what_is_due_at_the_same_frame_is_not_due_twice(parts: Parts) -> None:
    """A picture of the frame before a command, and another command at a block's end."""
    both = dataclasses.replace(parts, pictures=(("x", 99),), epoch_frames=(0, FIRST_FRAMES))
    found = [(s.end, s.why) for s in plan(Planner(both, fused=True))]
    assert found == [(16, "command"), (100, "picture"), (272, "block"), (400, "end")]


def test_blocks_follow_each_other_from_any_frame() -> None:
    edges = [0, FIRST_FRAMES, FIRST_FRAMES + BLOCK_FRAMES, FIRST_FRAMES + 2 * BLOCK_FRAMES]
    for frame in range(edges[-1]):
        within = max(edge for edge in edges if edge <= frame)
        assert block_start(frame) == within
        assert block_end(frame) == edges[edges.index(within) + 1]


def test_propagators_are_due_at_the_first_frame_that_they_will_not_do_for() -> None:
    """2e-6 is the step that is allowed; made for 1e-6, they do up to 3e-6."""
    resonance = 1e-6 + np.array([0.0, 1e-6, -1.9e-6, 2.1e-6, 0.0])
    assert resonance_due(50, resonance, 1e-6) == 53
    assert resonance_due(50, resonance[:3], 1e-6) == 53
    assert resonance_due(50, -resonance, -1e-6) == 53
