"""Light in wrong outputs, standing and on the move, and the move of all ports at once."""

from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.errors import ScenarioError
from sim.optics.crosstalk import NIL_DB, Pairs, crosstalk_db, pair_rays, scattered_db
from sim.optics.switch import wire
from sim.ports import Array
from sim.results.settling import arrivals
from sim.scenario.model import Scenario
from sim.studies.connections.assignment import least_maximum, least_sum, travel_rad
from sim.studies.connections.coupler import Ports
from sim.studies.connections.table import Maker
from sim.studies.run.make import make_run

LOOKED_AT: Final = 96
"""Outputs into which crosstalk is worked out; evenly chosen in a larger switch."""
NEAR_PITCHES: Final = 2.2
MOVE_PITCHES: Final = 1.2
SHARES: Final = tuple(float(s) for s in np.round(np.arange(0.05, 0.96, 0.05), 2))
"""Of the way, at which a move is looked at."""
ROUGHNESS_NM: Final = 2.0
SAMPLES: Final = 16


class Connected(NamedTuple):
    """Which input is connected with which output, before or after a move."""

    inputs: Ports
    outputs: Ports


def wirings(scenario: Scenario) -> list[Connected]:
    """Return the connections at the start, and after each move."""
    ports = scenario.switch.geometry.ports_per_side
    switch = scenario.switch
    if switch.geometry.outputs != ports:
        return []
    plans = [switch.connections, *(move.connections for move in switch.moves)]
    return [Connected(*wire(p, ports, scenario.seed, n, "switch")) for n, p in enumerate(plans)]


def standing(scenario: Scenario, maker: Maker) -> dict[str, Any] | None:
    """Return the crosstalk of the connections at the start; None for unequal arrays."""
    wired = wirings(scenario)
    if not wired or len(wired[0].inputs) < 2:
        return None
    inputs, outputs = wired[0]
    tilts = _aims(maker, inputs, outputs)
    count = len(inputs)
    victims = np.arange(min(count, LOOKED_AT)) * count // min(count, LOOKED_AT)
    found = _worst(
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
    """Return the crosstalk while the first move is made, all mirrors at once or side by side.

    None if there is no move, or if it uses other outputs than those in use before.
    Every mirror goes straight from its old tilt to its new one, as all shipped shapings have it.
    """
    wired = wirings(scenario)
    if not _same_outputs(wired):
        return None
    path = Path.between(maker, wired[0], wired[1])
    together = [path.at(s, s) for s in SHARES]
    in_turn = [path.at(s, 0.0) for s in (*SHARES, 1.0)] + [path.at(1.0, s) for s in SHARES]
    rows = {}
    for name, tilts in (("together", together), ("mirrors_a_first", in_turn)):
        rows[name] = max((path.worst(one) for one in tilts), key=lambda w: -w.worst_db)
    limit = scenario.switch.budget.crosstalk_db if scenario.switch.budget else None
    return {
        name: {
            "met": None if limit is None else w.worst_db >= limit,
            "instants": len(together if name == "together" else in_turn),
            "worst_pair_db": w.worst_db, "beam_input": w.beam, "output": w.victim,
            "worst_output_sum_db": w.sum_db,
        }
        for name, w in rows.items()
    }  # fmt: skip


def _same_outputs(wired: list[Connected]) -> bool:
    """Whether there is a move, and it uses the outputs that were used before."""
    return len(wired) > 1 and set(wired[0].outputs.tolist()) == set(wired[1].outputs.tolist())


class _Found(NamedTuple):
    worst_db: float
    beam: int | None
    victim: int | None
    sum_db: float


class Path(NamedTuple):
    """A move of all connections."""

    maker: Maker
    inputs: Ports
    outputs: Ports
    """In the order of their old connections."""
    new_of: NDArray[np.int64]
    """(C,) place in `outputs` of each input's new output."""
    start: Array
    """(C, 4) tilts of each input's mirror, and of each output's. [rad]"""
    end: Array

    @classmethod
    def between(cls, maker: Maker, old: Connected, new: Connected) -> "Path":
        """Return the move from one wiring to another of the same inputs and outputs.

        Raises
        ------
        ScenarioError
            If other outputs are used after the move.
        """
        place = {int(port): n for n, port in enumerate(old.outputs)}
        if set(map(int, new.outputs)) != set(place):
            raise ScenarioError(
                "switch.moves.0.connections: crosstalk of a move needs the same outputs before "
                "and after"
            )
        new_of = np.array([place[int(port)] for port in new.outputs])
        start = _aims(maker, old.inputs, old.outputs)
        aims = _aims(maker, new.inputs, new.outputs)
        end = np.empty_like(start)
        end[:, :2] = aims[:, :2]
        end[new_of, 2:] = aims[:, 2:]
        return cls(maker, old.inputs, old.outputs, new_of, start, end)

    def at(self, share_a: float, share_b: float) -> Array:
        """Return the tilts (C, 4) at shares of the way of mirrors A and B."""
        share = np.array([share_a, share_a, share_b, share_b])
        return self.start + share * (self.end - self.start)

    def worst(self, tilts: Array) -> _Found:
        """Return the largest crosstalk with tilts (C, 4); old and new output are a beam's own."""
        count = len(self.inputs)
        victims = np.arange(min(count, LOOKED_AT)) * count // min(count, LOOKED_AT)
        return _worst(
            self.maker, self.inputs, self.outputs, tilts, victims, MOVE_PITCHES,
            lambda b, v: (b != v) & (self.new_of[b] != v),
        )  # fmt: skip


def _aims(maker: Maker, inputs: Ports, outputs: Ports) -> Array:
    none = np.zeros((len(inputs), 4))
    return maker.coupler.couple(inputs, outputs, none, band=False).tilt_rad.copy()


def _worst(
    maker: Maker, inputs: Ports, outputs: Ports, tilts: Array, victims: NDArray[np.int64],
    pitches: float, wrong: Any,
) -> _Found:  # fmt: skip
    """Return the largest crosstalk into some outputs, from beams that land near their mirrors."""
    v, b = (a.ravel() for a in np.meshgrid(victims, np.arange(len(inputs)), indexing="ij"))
    keep = wrong(b, v)
    pairs = Pairs(b[keep], v[keep])
    rays = pair_rays(maker.built, inputs, outputs, tilts, pairs)
    near = np.hypot(*rays.on_b.centre_m) < pitches * maker.geometry.pitch_m
    if not near.any():
        return _Found(NIL_DB, None, None, NIL_DB)
    pairs = Pairs(pairs.beams[near], pairs.victims[near])
    rays = pair_rays(maker.built, inputs, outputs, tilts, pairs)
    loss = crosstalk_db(rays, maker.switch.optics, maker.geometry.waist_to_receiver_m)
    p = int(loss.argmin())
    total = np.bincount(pairs.victims, 10.0 ** (-0.1 * loss))
    return _Found(
        float(loss[p]), int(inputs[pairs.beams[p]]), int(outputs[pairs.victims[p]]),
        float(-10.0 * np.log10(total.max())),
    )  # fmt: skip


def assigned(scenario: Scenario, maker: Maker) -> dict[str, Any] | None:
    """Return the travel of the first move as asked, and if inputs could choose their outputs."""
    wired = wirings(scenario)
    if not _same_outputs(wired):
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
    if not _same_outputs(wired):
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
    worst = _Found(NIL_DB, None, None, NIL_DB)
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
