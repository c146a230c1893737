"""Light in wrong outputs, standing and on the move, and the move of all ports at once."""

from typing import Any, Final

import numpy as np

from sim.errors import ScenarioError
from sim.optics.crosstalk import NIL_DB, scattered_db
from sim.results.settling import arrivals
from sim.scenario.model import Scenario
from sim.studies.connections.assignment import least_maximum, least_sum, travel_rad
from sim.studies.connections.moves import (
    Found,
    Path,
    aims_of,
    looked_at,
    same_outputs,
    wirings,
    worst_into,
)
from sim.studies.connections.plan import X_FIRST, Y_FIRST, planned
from sim.studies.connections.table import Maker
from sim.studies.run.make import make_run

NEAR_PITCHES: Final = 2.2
SHARES: Final = tuple(float(s) for s in np.round(np.arange(0.05, 0.96, 0.05), 2))
"""Of the way, at which a move is looked at."""
ROUGHNESS_NM: Final = 2.0
SAMPLES: Final = 16


def standing(scenario: Scenario, maker: Maker) -> dict[str, Any] | None:
    """Return the crosstalk of the connections at the start; None for unequal arrays."""
    wired = wirings(scenario)
    if not wired or len(wired[0].inputs) < 2:
        return None
    inputs, outputs = wired[0]
    tilts = aims_of(maker, inputs, outputs)
    count = len(inputs)
    victims = looked_at(count)
    found = worst_into(
        maker, inputs, outputs, tilts, victims, NEAR_PITCHES, lambda b, v: b != v
    )
    geometry, optics = maker.geometry, scenario.switch.optics
    return {
        "connections": count,
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


def moving(scenario: Scenario, maker: Maker) -> dict[str, Any] | None:
    """Return the crosstalk while the first move is made, in the orders that were tried.

    All mirrors at once, and all of array A before all of array B; if a limit is stated and both
    miss it, each beam in its own order, and where that is not enough one axis at a time. None
    if there is no move, or if it uses other outputs than those in use before. Every mirror goes
    straight from its old tilt to its new one, as all shipped shapings have it, where the plan
    does not say otherwise.
    """
    wired = wirings(scenario)
    if not same_outputs(wired):
        return None
    path = Path.between(maker, wired[0], wired[1])
    limit = scenario.switch.budget.crosstalk_db if scenario.switch.budget else None
    together = [path.at(s, s) for s in SHARES]
    in_turn = [path.at(s, 0.0) for s in (*SHARES, 1.0)] + [path.at(1.0, s) for s in SHARES]
    rows: dict[str, Any] = {}

    def put(name: str, w: Found, instants: int, in_a_row: int) -> None:
        met = None if limit is None else bool(w.worst_db >= limit)
        rows[name] = {
            "met": met, "instants": instants, "worst_pair_db": w.worst_db, "beam_input": w.beam,
            "output": w.victim, "worst_output_sum_db": w.sum_db, "moves_in_a_row": in_a_row,
        }  # fmt: skip

    for name, tilts, in_a_row in (("together", together, 1), ("mirrors_a_first", in_turn, 2)):
        worst = min((path.worst(one) for one in tilts), key=lambda w: w.worst_db)
        put(name, worst, len(tilts), in_a_row)
    if limit is not None and not any(row["met"] for row in rows.values()):
        plan = planned(path, limit)
        put("by_beam", plan.found, plan.instants, plan.moves_in_a_row)
        rows["by_beam"] |= {
            "inputs_before": [int(i) for i in path.inputs[plan.before]],
            "inputs_after": [int(i) for i in path.inputs[~plan.before]],
            "inputs_x_first": [int(i) for i in path.inputs[plan.way == X_FIRST]],
            "inputs_y_first": [int(i) for i in path.inputs[plan.way == Y_FIRST]],
        }
    return rows


def assigned(scenario: Scenario, maker: Maker) -> dict[str, Any] | None:
    """Return the travel of the first move as asked, and if inputs could choose their outputs."""
    wired = wirings(scenario)
    if not same_outputs(wired):
        return None
    path = Path.between(maker, wired[0], wired[1])
    cost = travel_rad(
        maker.coupler, path.inputs, path.outputs, path.start[:, :2], path.start[:, 2:]
    )
    # As they stand, nothing moves: bar every input from the output that it has.
    barred = cost + np.where(np.eye(len(cost), dtype=bool), 1e3, 0.0)
    rows = {
        "asked": path.new_of,
        "least_sum": least_sum(barred),
        "least_max": least_maximum(barred),
    }
    return {
        name: {
            "mean_mrad": float(1e3 * cost[np.arange(len(cost)), columns].mean()),
            "max_mrad": float(1e3 * cost[np.arange(len(cost)), columns].max()),
        }
        for name, columns in rows.items()
    }


def bulk_move(scenario: Scenario, maker: Maker) -> dict[str, Any]:
    """Run the first move through the loop: time to light of each connection, crosstalk on the way.

    Raises
    ------
    ScenarioError
        If the scenario has no move.
    """
    if not scenario.switch.moves:
        raise ScenarioError("switch.moves: --move needs a move, but there is none")
    made = make_run(scenario, pictures=False)
    traces, epochs = made.outcome.traces, made.built.parts.epochs
    epoch = epochs[1]
    command = round(epoch.start_s / traces.tick_s)
    end_s = epochs[2].start_s if len(epochs) > 2 else float(traces.time_s[-1])
    came = arrivals(
        traces.excess_first_out, traces.excess_last_out, interval_ticks=traces.interval_ticks,
        first_tick=round(traces.time_s[0] / traces.tick_s) - traces.interval_ticks,
        command_tick=command, end_tick=round(end_s / traces.tick_s),
        dwell_ticks=max(1, round(1e-3 * scenario.metrics.dwell_ms / traces.tick_s)),
        tick_s=traces.tick_s,
    ).after_s  # fmt: skip
    light_ms = 1e3 * came
    seen = light_ms[np.isfinite(light_ms)]
    slowest = int(np.nanargmax(light_ms)) if seen.size else 0
    wired = wirings(scenario)
    if not same_outputs(wired):
        raise ScenarioError(
            "switch.moves.0.connections: --move needs a move among the outputs already in use"
        )
    path = Path.between(maker, *wired[:2])
    after = np.flatnonzero(traces.time_s > epoch.start_s)
    until = epoch.start_s + (1e-3 * float(seen.max()) if seen.size else 0.02)
    after = after[traces.time_s[after] <= until + 1e-9]
    after = after[np.unique(np.linspace(0, len(after) - 1, SAMPLES).astype(int))]
    ports = scenario.switch.geometry.ports_per_side
    column = {int(mirror): n for n, mirror in enumerate(traces.mirrors)}
    of_a = [column[int(port)] for port in path.inputs]
    of_b = [column[ports + int(port)] for port in path.outputs]
    worst = Found(NIL_DB, None, None, NIL_DB)
    at_ms = None
    for row in after:
        tilt = epoch.aim_rad + traces.error_rad[row].astype(float)
        found = path.worst(np.concatenate([tilt[of_a], tilt[of_b]], axis=1))
        if found.worst_db < worst.worst_db:
            worst, at_ms = found, float(1e3 * (traces.time_s[row] - epoch.start_s))
    return {
        "connections": len(light_ms),
        "limit_db": scenario.metrics.outage_excess_db,
        "dark": int(len(light_ms) - seen.size),
        "median_ms": float(np.median(seen)) if seen.size else None,
        "max_ms": float(seen.max()) if seen.size else None,
        "slowest_input": int(traces.inputs[slowest]) if seen.size else None,
        "time_to_light_ms": [None if np.isnan(t) else float(t) for t in light_ms],
        "inputs": [int(i) for i in traces.inputs],
        "crosstalk_worst_pair_db": worst.worst_db,
        "crosstalk_at_ms": at_ms,
        "instants_looked_at": len(after),
    }
