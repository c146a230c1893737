"""A plan as the stages of a scenario's move, so that `run` can make it."""

import math
from typing import Any, Final

import numpy as np

from sim.assembly.build import build
from sim.results.metrics import mirror_name
from sim.scenario.model import Scenario
from sim.studies.connections.moves import Path
from sim.studies.connections.plan import STRAIGHT, X_FIRST, Y_FIRST, MovePlan

PERIODS: Final = 2.0
"""Of the slower resonance, that a mirror is given after its shaped path before the next stage."""


def stage_ms(scenario: Scenario) -> float:
    """Return how long after one stage the next may begin: path and ringing, whole frames. [ms]"""
    parts = build(scenario).parts
    frame_ms = 1e3 * parts.clock.frame_s
    path_ms = 1e3 * parts.reference.longest_path_s
    period_ms = 1e3 / min(scenario.mirror.resonance_hz)
    return frame_ms * math.ceil((path_ms + PERIODS * period_ms) / frame_ms)


def stages_of(
    scenario: Scenario, path: Path, plan: MovePlan, apart_ms: float
) -> list[dict[str, Any]]:
    """Return the stages of a plan as a scenario writes them.

    Parameters
    ----------
    scenario : Scenario
        Of the move.
    path : Path
        The move.
    plan : MovePlan
        From `planned`.
    apart_ms : float
        From one stage to the next. [ms]
    """
    ports = scenario.switch.geometry.ports_per_side
    mirrors_a, mirrors_b = path.inputs, ports + path.outputs
    found: list[dict[str, Any]] = []
    at_ms = 0.0
    for mirrors, group, way in (
        (mirrors_a, plan.before, plan.way),
        (mirrors_b, np.ones(len(mirrors_b), bool), plan.way_b),
        (mirrors_a, ~plan.before, plan.way),
    ):
        x_first, y_first = group & (way == X_FIRST), group & (way == Y_FIRST)
        for turns in (
            ((group & (way == STRAIGHT), "both"), (x_first, "x"), (y_first, "y")),
            ((x_first, "y"), (y_first, "x")),
        ):
            here = [(chosen, axes) for chosen, axes in turns if chosen.any()]
            for chosen, axes in here:
                names = [mirror_name(int(mirror), ports) for mirror in mirrors[chosen]]
                every_b = mirrors is mirrors_b and chosen.all()
                found.append(
                    {"after_ms": at_ms, "mirrors": "B" if every_b else names, "axes": axes}
                )
            at_ms += apart_ms if here else 0.0
    return found


def with_stages(scenario: Scenario, rows: list[dict[str, Any]]) -> Scenario:
    """Return the scenario with stages of its first move, and as much longer as they take."""
    first = scenario.switch.moves[0]
    was_ms = max((s.after_ms for s in first.stages), default=0.0)
    longer_ms = max(max(row["after_ms"] for row in rows) - was_ms, 0.0)
    moves = [move.model_dump() for move in scenario.switch.moves]
    moves[0]["stages"] = rows
    for move in moves[1:]:
        move["at_ms"] += longer_ms
    metrics = scenario.metrics.replace(hold_from_ms=scenario.metrics.hold_from_ms + longer_ms)
    return scenario.replace(
        switch=scenario.switch.replace(moves=moves).model_dump(),
        duration_ms=scenario.duration_ms + longer_ms, metrics=metrics.model_dump(),
    )  # fmt: skip
