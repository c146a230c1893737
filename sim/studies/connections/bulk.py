"""The move of all ports at once through the loop of `run`: time to light, and light gone astray."""

from typing import Any, Final

import numpy as np

from sim.results.settling import arrivals
from sim.results.traces import Traces
from sim.scenario.model import Scenario
from sim.studies.connections.moves import Leg, Path, Tilts, wirings
from sim.studies.connections.strays import Strays
from sim.studies.connections.table import Maker
from sim.studies.run.make import make_run

SAMPLE_S: Final = 2.5e-4
"""Tilts on the way are kept at least this often, and taken as straight between. [s]"""


def bulk_move(scenario: Scenario, maker: Maker) -> dict[str, Any]:
    """Run the first move through the loop: time to light of each connection, crosstalk on the way.

    Times count from the move's command, stages included. `limits` are those of the scenario, held
    against the whole run. The scenario has to have a move.
    """
    made = make_run(_often_sampled(scenario), pictures=False)
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
    before, after = wirings(scenario)[:2]
    old = dict(zip(before.inputs, before.outputs, strict=True))
    changed = np.array([old.get(i) != j for i, j in zip(*after, strict=True)])
    seen = light_ms[changed & np.isfinite(light_ms)]
    slowest = int(np.nanargmax(light_ms)) if seen.size else 0
    until_s = epoch.start_s + (1e-3 * float(seen.max()) if seen.size else 0.02)
    path = Path.between(maker, before, after)
    leg, times_s = _true_way(scenario, path, traces, epoch.aim_rad, epoch.start_s, until_s)
    strays = Strays(path)
    least = strays.over(leg, strongest_alone=True)
    beam = int(least.loss_db.argmin())
    share = float(least.shares[beam])
    worst = strays.worst(leg(share))
    return {
        "connections": int(changed.sum()),
        "stages": len(epoch.stages),
        "limit_db": scenario.metrics.outage_excess_db,
        "dark": int(changed.sum() - seen.size),
        "median_ms": float(np.median(seen)) if seen.size else None,
        "max_ms": float(seen.max()) if seen.size else None,
        "slowest_input": int(traces.inputs[slowest]) if seen.size else None,
        "time_to_light_ms": [None if np.isnan(t) else float(t) for t in light_ms],
        "inputs": [int(i) for i in traces.inputs],
        "outputs": [int(j) for j in after.outputs],
        "limits": made.limits,
        "crosstalk_worst_pair_db": worst.worst_db,
        "crosstalk_beam_input": worst.beam,
        "crosstalk_output": worst.victim,
        "crosstalk_at_ms": 1e3 * (times_s[0] + share * (times_s[1] - times_s[0]) - epoch.start_s),
        "instants_looked_at": least.instants,
    }  # fmt: skip


def _often_sampled(scenario: Scenario) -> Scenario:
    """Return the scenario with tilts kept often enough for straight lines between them."""
    ticks_hz = 1e3 * scenario.drive.update_khz
    ratio = max(1, int(SAMPLE_S * ticks_hz))
    if scenario.traces.sample_hz >= ticks_hz / ratio:
        return scenario
    return scenario.replace(traces=scenario.traces.replace(sample_hz=ticks_hz / ratio).model_dump())


def _true_way(
    scenario: Scenario, path: Path, traces: Traces, aim_rad: Any, start_s: float, until_s: float
) -> tuple[Leg, tuple[float, float]]:
    """Return the tilts as they were from the command on, and over which time. [s]"""
    ports = scenario.switch.geometry.ports_per_side
    column = {int(mirror): n for n, mirror in enumerate(traces.mirrors)}
    of_a = [column[int(port)] for port in path.inputs]
    of_b = [column[ports + int(port)] for port in path.outputs]
    rows = np.flatnonzero((traces.time_s > start_s) & (traces.time_s <= until_s + 1e-9))
    tilt_rad = aim_rad + traces.error_rad[rows].astype(float)

    def leg(share: float) -> Tilts:
        at = share * (len(rows) - 1)
        below = min(int(at), max(len(rows) - 2, 0))
        above = min(below + 1, len(rows) - 1)
        tilt = tilt_rad[below] + (at - below) * (tilt_rad[above] - tilt_rad[below])
        return Tilts(tilt[of_a], tilt[of_b])

    return leg, (float(traces.time_s[rows[0]]), float(traces.time_s[rows[-1]]))
