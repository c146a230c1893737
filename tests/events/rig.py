"""Small runs under events, for the tests of this folder."""

from pathlib import Path
from typing import Any

import numpy as np

from sim.assembly.build import Built, build
from sim.foundations.ports import Array
from sim.loop.simulate import LoopResult, simulate
from sim.scenario.model import load_scenario

ONE = Path(__file__).parents[1] / "one_mirror.toml"


def built(events: str, *sets: str, base: str | Path = ONE, ms: float = 100.0) -> Built:
    """Return a run of `base` with events, as TOML writes a list."""
    own = (f"duration_ms={ms}", f"events={events}")
    return build(load_scenario(base, (*own, *sets)))


def ran(events: str, *sets: str, **keys: Any) -> tuple[Built, LoopResult]:
    """Build and run."""
    made = built(events, *sets, **keys)
    return made, simulate(made.parts)


def innovations(made: Built, result: LoopResult) -> tuple[Array, Array, Array]:
    """Return (reference minus reading, corrections, status) of each frame of a run at rest."""
    traces = result.traces
    aim = made.parts.epochs[0].aim_rad + made.parts.population.alignment_rad
    return (
        aim - traces.measured_rad.astype(float),
        traces.correction_rad.astype(float),
        np.asarray(traces.status),
    )
