"""A plan as the stages of a scenario's move, so that `run` can make it."""

import math
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from sim.assembly.build import build
from sim.results.metrics import mirror_name
from sim.scenario.model import Scenario
from sim.studies.connections.moves import Path
from sim.studies.connections.plan import MovePlan

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
    turn = np.concatenate([plan.stage_a, plan.stage_b])
    mirrors = np.concatenate([path.inputs, ports + path.outputs])
    found: list[dict[str, Any]] = []
    for stage in range(plan.moves_in_a_row):
        x, y = (turn == stage).T
        for chosen, axes in ((x & y, "both"), (x & ~y, "x"), (y & ~x, "y")):
            if chosen.any():
                names = [mirror_name(int(mirror), ports) for mirror in mirrors[chosen]]
                whole = _array_of(chosen, len(path.inputs))
                found.append(
                    {"after_ms": stage * apart_ms, "mirrors": whole or names, "axes": axes}
                )
    return found


def one_axis_names(scenario: Scenario, path: Path, plan: MovePlan) -> list[str]:
    """Return the names of the mirrors that turn one axis at a time."""
    ports = scenario.switch.geometry.ports_per_side
    turn = np.concatenate([plan.stage_a, plan.stage_b])
    mirrors = np.concatenate([path.inputs, ports + path.outputs])
    return [mirror_name(int(mirror), ports) for mirror in mirrors[turn[:, 0] != turn[:, 1]]]


def _array_of(chosen: NDArray[np.bool_], inputs: int) -> str | None:
    """Return "A" or "B" if all mirrors of that array are chosen, and no others."""
    of_a, of_b = chosen[:inputs], chosen[inputs:]
    if of_a.all() and not of_b.any():
        return "A"
    return "B" if of_b.all() and not of_a.any() else None


def with_stages(scenario: Scenario, rows: list[dict[str, Any]]) -> Scenario:
    """Return the scenario with stages of its first move, and as much longer as they take.

    All that is later than the first move comes as much later: other moves, events that begin after
    it, and the hold interval. Disturbances stay where they are.
    """
    first = scenario.switch.moves[0]
    was_ms = max((s.after_ms for s in first.stages), default=0.0)
    longer_ms = max(max(row["after_ms"] for row in rows) - was_ms, 0.0)
    moves = [move.model_dump() for move in scenario.switch.moves]
    moves[0]["stages"] = rows
    for move in moves[1:]:
        move["at_ms"] += longer_ms
    hold = {"hold_from_ms": scenario.metrics.hold_from_ms + longer_ms}
    if scenario.metrics.hold_to_ms is not None:
        hold["hold_to_ms"] = scenario.metrics.hold_to_ms + longer_ms
    metrics = scenario.metrics.replace(**hold)
    events = [
        event | {"at_ms": event["at_ms"] + longer_ms}
        if event.get("at_ms", 0.0) > first.at_ms
        else event
        for event in map(dict, scenario.events)
    ]
    return scenario.replace(
        switch=scenario.switch.replace(moves=moves).model_dump(),
        duration_ms=scenario.duration_ms + longer_ms, metrics=metrics.model_dump(), events=events,
    )  # fmt: skip
