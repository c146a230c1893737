"""What beams of mirrors that an event strikes leave in the outputs that they pass."""

from typing import Any, Final

import numpy as np

from sim.assembly.build import Built
from sim.optics.build_errors import build_switch
from sim.optics.geometry import SwitchGeometry
from sim.optics.passages import strongest_passage
from sim.results.events import Reach, reach_of
from sim.results.traces import Traces

LEFT_RAD: Final = 1e-3
"""A mirror that never leaves its aim by more than this passes no other output: a beam on the way to
its neighbour has gone some 6 mrad."""
MOST_ROWS: Final = 20_000
"""Samples that are looked at, of each event."""


def crosstalk_of(built: Built, traces: Traces) -> dict[int, dict[str, Any]]:
    """Return the strongest crosstalk of each event, by its number, where its beams wander.

    Only mirrors A send a beam to other outputs; those whose own mirrors an event strikes are left
    out as victims, for they have no light of their own.
    """
    parts, scenario = built.parts, built.resolved
    if not parts.events or not parts.inputs.size:
        return {}
    geometry = SwitchGeometry.from_params(scenario.switch.geometry)
    switch = build_switch(
        geometry, scenario.switch.optics, scenario.switch.build, scenario.seeds.population
    )
    found = {}
    for number, event in enumerate(parts.events):
        reach = reach_of(event, parts.events, traces, parts.epochs)
        rows = _wandering(traces, reach)
        column_a = reach.epoch.pairs[:, 0]
        error = traces.error_rad[rows]
        far = np.linalg.norm(error, axis=-1).max(axis=0, initial=0.0) > LEFT_RAD
        beams = np.flatnonzero(event.mirrors[column_a] & far[column_a])
        tilt = reach.epoch.aim_rad + error
        passage = strongest_passage(
            switch, scenario.switch.optics, parts.inputs, reach.epoch.outputs,
            tilt[:, reach.epoch.pairs].reshape(len(rows), -1, 4), beams,
            np.flatnonzero(~reach.own),
        )  # fmt: skip
        if passage is not None:
            at = int(passage.row)
            found[number] = {
                "db": passage.crosstalk_db,
                "from": f"in {parts.inputs[passage.beam]}",
                "into": f"out {reach.epoch.outputs[passage.victim]}",
                "at_ms": float(1e3 * traces.time_s[rows[at]]),
                "beams": len(beams),
                "at_least": passage.at_least,
            }
    return found


def _wandering(traces: Traces, reach: Reach) -> np.ndarray:
    """Return the samples in which beams wander, with the one before the event."""
    rows = reach.rows[:MOST_ROWS]
    return np.concatenate([rows[:1] - 1, rows]) if len(rows) and rows[0] > 0 else rows
