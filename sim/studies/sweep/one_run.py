"""One run of a sweep: its figures, without pictures and without files."""

import json
import threading
import time
from dataclasses import replace
from typing import Any, Final, NamedTuple

METRICS: Final[dict[str, tuple[str, str]]] = {
    "settling.max_ms": ("Settling, slowest mirror", "ms"),
    "settling.p95_ms": ("Settling, p95", "ms"),
    "settling.median_ms": ("Settling, median of those that did", "ms"),
    "settling.unsettled": ("Mirrors that never settled", ""),
    "settling.excursions_after": ("Excursions after settling", ""),
    "time_to_light.max_ms": ("Time to light, slowest", "ms"),
    "time_to_light.p95_ms": ("Time to light, p95", "ms"),
    "time_to_light.median_ms": ("Time to light, median of those that did", "ms"),
    "time_to_light.dark": ("Connections that stayed dark", ""),
    "pointing.rms_urad": ("Pointing error, rms", "urad"),
    "pointing.p99_urad": ("Pointing error, p99", "urad"),
    "pointing.max_urad": ("Pointing error, largest", "urad"),
    "pointing.bias_urad": ("Pointing error, standing part", "urad"),
    "pointing.jitter_urad": ("Pointing error, moving part", "urad"),
    "coupling.mean_db": ("Total loss, mean", "dB"),
    "coupling.p99_db": ("Total loss, p99", "dB"),
    "coupling.max_db": ("Total loss, largest", "dB"),
    "coupling.excess_mean_db": ("Loss over aligned, mean", "dB"),
    "coupling.excess_max_db": ("Loss over aligned, largest", "dB"),
    "coupling.aligned_max_db": ("Aligned loss, largest", "dB"),
    "coupling.outage_ms": ("Outage, worst connection", "ms"),
    "coupling.outage_total_ms": ("Outage, all connections", "ms"),
    "lost.frames": ("Frames with a lost spot", ""),
    "stops.longest_ms": ("Longest time at a stop", "ms"),
}
"""Figures that a sweep keeps, in words and with their unit; the more, the worse, for all."""

_ONE_AT_A_TIME = threading.Lock()


class RunOutcome(NamedTuple):
    """What one run left."""

    figures: dict[str, float | int | None]
    """By the names of `METRICS`; empty if the run could not be done."""
    limits_missed: tuple[str, ...]
    error: str | None
    """Why it could not be done."""
    wall_s: float
    """Time it took; never part of a table."""


def one_run(scenario_json: str, seed: int) -> RunOutcome:
    """Do one run on one thread.

    Runs that share a process take turns, since the compiled kernels are not to be entered twice
    at once.

    Parameters
    ----------
    scenario_json : str
        A checked scenario, as its `model_dump_json` gives it.
    seed : int
        Takes the place of the scenario's seed.

    Returns
    -------
    Outcome
        With `error` where the scenario cannot be run; faults of the program are raised.
    """
    import numba

    from sim.assembly.build import build
    from sim.errors import SimError
    from sim.loop.simulate import simulate
    from sim.results.limits import check_limits
    from sim.results.metrics import evaluate
    from sim.scenario.model import Scenario

    with _ONE_AT_A_TIME:
        clock_s = time.perf_counter()
        before = numba.get_num_threads()
        numba.set_num_threads(1)
        try:
            scenario = Scenario.model_validate({**json.loads(scenario_json), "seed": seed})
            parts = replace(build(scenario).parts, pictures=())
            figures = evaluate(
                simulate(parts).traces,
                parts.epochs,
                scenario.metrics,
                ports=scenario.switch.geometry.ports_per_side,
            )
        except SimError as exc:
            return RunOutcome({}, (), str(exc), time.perf_counter() - clock_s)
        finally:
            numba.set_num_threads(before)
        missed = [row["name"] for row in check_limits(figures, scenario.limits) if not row["met"]]
        return RunOutcome(_kept(figures), tuple(missed), None, time.perf_counter() - clock_s)


def _kept(figures: dict[str, Any]) -> dict[str, float | int | None]:
    found = {}
    for name in METRICS:
        group, key = name.split(".")
        found[name] = figures[group][key]
    return found
