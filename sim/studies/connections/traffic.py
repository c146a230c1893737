"""Light in wrong outputs, standing and on the move, and outputs to choose from."""

from collections.abc import Callable
from typing import Any, Final

import numpy as np

from sim.optics.crosstalk import NIL_DB, Pairs, scattered_db
from sim.optics.staging import staged
from sim.scenario.model import Scenario
from sim.studies.connections.moves import Leg, Path, Tilts, aims_of, wirings
from sim.studies.connections.near import Near
from sim.studies.connections.plan import planned
from sim.studies.connections.strays import Found, found_of, looked_at, strongest
from sim.studies.connections.table import Maker

NEAR_PITCHES: Final = 2.2
ROUGHNESS_NM: Final = 2.0
FAR_AHEAD: Final = 1 << 40
"""A frame that no move reaches."""


def standing(scenario: Scenario, maker: Maker) -> dict[str, Any] | None:
    """Return the crosstalk of the connections at the start; None for a single one."""
    inputs, outputs = wirings(scenario)[0]
    if len(inputs) < 2:
        return None
    tilts = aims_of(maker, inputs, outputs)
    every, victims = np.arange(len(inputs)), looked_at(len(outputs))
    reach_m = NEAR_PITCHES * maker.geometry.pitch_m
    beams, near = Near(maker, inputs, outputs, victims, reach_m).of(tilts.a_rad, every)
    wrong = beams != near
    found = found_of(maker, inputs, outputs, tilts, Pairs(beams[wrong], near[wrong]))
    geometry, optics = maker.geometry, scenario.switch.optics
    return {
        "connections": len(inputs),
        "outputs_looked_at": len(victims),
        "worst_pair_db": found.worst_db,
        "worst_beam_input": found.beam,
        "worst_output": found.victim,
        "worst_output_sum_db": found.sum_db,
        "scattered_estimate_db": scattered_db(
            1e-9 * ROUGHNESS_NM, 1e-9 * optics.data_wavelength_nm, geometry.incidence_rad,
            geometry.spacing_m,
        ),
        "scattered_for_roughness_nm": ROUGHNESS_NM,
        "nil_db": NIL_DB,
    }  # fmt: skip


def moving(
    scenario: Scenario, maker: Maker, progress: Callable[[int, int], None] | None = None
) -> dict[str, Any] | None:
    """Return the crosstalk while the first move is made, in the orders that were tried.

    As its stages say, if it has any. Otherwise all mirrors at once, and all of array A before all
    of array B; if a limit is stated and both miss it, each mirror in a stage of its own choice, and
    where that is not enough one axis at a time. None if there is no move. Every mirror goes
    straight from its old tilt to its new one, as all shipped shapings have it, where the plan does
    not say otherwise; one stage is over before the next begins.
    """
    wired = wirings(scenario)
    if len(wired) < 2:
        return None
    path = Path.between(maker, wired[0], wired[1])
    limit = scenario.switch.budget.crosstalk_db if scenario.switch.budget else None
    rows: dict[str, Any] = {}

    def put(name: str, w: Found, instants: int, in_a_row: int) -> None:
        met = None if limit is None else bool(w.worst_db >= limit)
        rows[name] = {
            "met": met, "instants": instants, "worst_pair_db": w.worst_db, "beam_input": w.beam,
            "output": w.victim, "worst_output_sum_db": w.sum_db, "moves_in_a_row": in_a_row,
        }  # fmt: skip

    if scenario.switch.moves[0].stages:
        legs = _stated(scenario, path)
        put("as_stated", *strongest(path, legs), len(legs))
        return rows
    put("together", *strongest(path, [lambda s: path.at(s, s)]), 1)
    in_turn: list[Leg] = [lambda s: path.at(s, 0.0), lambda s: path.at(1.0, s)]
    put("mirrors_a_first", *strongest(path, in_turn), 2)
    if limit is None or rows["together"]["met"]:
        return rows
    # It loads the whole loop.
    from sim.studies.connections.as_scenario import one_axis_names, stage_ms, stages_of

    apart_ms = stage_ms(scenario)
    turns = ((0.0, "A"), (apart_ms, "B"))
    rows["mirrors_a_first"] |= {
        "stage_ms": apart_ms,
        "stages": [{"after_ms": at, "mirrors": side, "axes": "both"} for at, side in turns],
    }
    if not rows["mirrors_a_first"]["met"]:
        plan = planned(path, limit, progress)
        put("by_mirror", plan.found, plan.instants, plan.moves_in_a_row)
        rows["by_mirror"] |= {
            "outputs": len(path.outputs),
            "outputs_looked_at": len(looked_at(len(path.outputs))),
            "best_straight_db": plan.best_straight_db,
            "searched_to_db": plan.searched_to_db,
            "one_axis_at_a_time": one_axis_names(scenario, path, plan),
            "stage_ms": apart_ms,
            "stages": stages_of(scenario, path, plan, apart_ms),
        }
    return rows


def _stated(scenario: Scenario, path: Path) -> list[Leg]:
    """Return the stages that the scenario states for its first move."""
    ports, count = scenario.switch.geometry.ports_per_side, len(path.inputs)
    others = [w.outputs for w in wirings(scenario)]
    later = np.setdiff1d(np.concatenate(others), path.outputs)  # those stand in this move
    still = np.zeros((len(later), 2))
    before, after = (np.concatenate([*tilts, still]) for tilts in (path.start, path.end))
    mirrors = np.concatenate([path.inputs, ports + path.outputs, ports + later])
    found = staged(
        scenario.switch.moves[0], "switch.moves.0.stages", mirrors, ports, (before, after),
        frame_s=1.0 / scenario.camera.frame_hz, end=FAR_AHEAD,
    )  # fmt: skip
    legs: list[Leg] = []
    for stage in found:
        legs.append(_leg(before, stage.aim_rad, count, len(path.outputs)))
        before = stage.aim_rad
    return legs


def _leg(first: Any, last: Any, inputs: int, outputs: int) -> Leg:
    def leg(share: float) -> Tilts:
        tilt = first + share * (last - first)
        return Tilts(tilt[:inputs], tilt[inputs : inputs + outputs])

    return leg


def assigned(scenario: Scenario, maker: Maker) -> dict[str, Any] | None:
    """Return the travel of the first move as asked, and if inputs could choose their outputs.

    Of outputs that are not in use, mirrors are at rest.
    """
    wired = wirings(scenario)
    if len(wired) < 2:
        return None
    # Its libraries take a second to load, and most switches do not move.
    from sim.studies.connections.assignment import least_maximum, least_sum, travel_rad

    old, new = wired[:2]
    every = np.arange(maker.geometry.ports_out)
    aims = aims_of(maker, *old)
    at_b = np.zeros((len(every), 2))
    at_b[old.outputs] = aims.b_rad
    cost = travel_rad(maker.coupler, old.inputs, every, aims.a_rad, at_b)
    rows = np.arange(len(cost))
    # As they stand, nothing moves: bar every input from the output that it has.
    barred = cost.copy()
    barred[rows, old.outputs] += 1e3
    chosen = {
        "asked": new.outputs,
        "least_sum": least_sum(barred),
        "least_max": least_maximum(barred),
    }
    return {
        name: {
            "mean_mrad": float(1e3 * cost[rows, columns].mean()),
            "max_mrad": float(1e3 * cost[rows, columns].max()),
            "pairs": [[int(i), int(j)] for i, j in zip(old.inputs, columns, strict=True)],
        }
        for name, columns in chosen.items()
    }
