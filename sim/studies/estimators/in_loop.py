"""The scenario's own loop, closed over each estimator in turn."""

from collections.abc import Callable, Mapping, Sequence
from types import ModuleType
from typing import Any

from sim.scenario.model import Scenario
from sim.studies.estimators.settings import Entrant
from sim.studies.run.make import make_run

LATEST_HOLD = 0.9
"""Part of the shortened run up to which the hold interval may start. [-]"""
LATEST_MOVE = 0.25
"""Part of the shortened run up to which moves are kept if the hold interval is moved. [-]"""


def first_part(scenario: Scenario, limit_ms: float) -> Scenario:
    """Return the first part of a scenario: same switch, camera and disturbances.

    The hold interval stays where it leaves a tenth of the run. Otherwise it is the second half,
    and moves after the first quarter are left out, so that it holds no more transients than before.
    """
    duration = min(limit_ms, scenario.duration_ms)
    if duration >= scenario.duration_ms:
        return scenario
    metrics = scenario.metrics
    fits = metrics.hold_from_ms <= LATEST_HOLD * duration
    last_ms = (1.0 if fits else LATEST_MOVE) * duration
    to_ms = metrics.hold_to_ms
    return scenario.replace(
        duration_ms=duration,
        switch=scenario.switch.replace(
            moves=[m for m in scenario.switch.model_dump()["moves"] if m["at_ms"] < last_ms]
        ).model_dump(),
        metrics=metrics.replace(
            hold_from_ms=metrics.hold_from_ms if fits else 0.5 * duration,
            hold_to_ms=to_ms if fits and to_ms is not None and to_ms < duration else None,
        ).model_dump(),
    )


def loop_rows(
    entrants: Sequence[Entrant],
    scenario: Scenario,
    kernels: ModuleType,
    tell: Callable[[int, int], None] | None = None,
    latencies_us: Mapping[str, float] | None = None,
) -> list[dict[str, Any]]:
    """Run the loop with each estimator.

    Parameters
    ----------
    entrants : sequence of Entrant
        Who takes part; settings are worked out from the scenario's camera where they have none.
    scenario : Scenario
        Already shortened.
    kernels : module
        The compiled kernels.
    tell : callable, optional
        Called with (finished runs, all runs).
    latencies_us : mapping of str to float, optional
        Estimator -> latency that its arithmetic gives the loop; the scenario's where left out.
        [us]

    Returns
    -------
    list of dict
        estimator, latency_us, rms_urad, p99_urad, bias_urad, jitter_urad, excess_mean_db,
        excess_max_db, lost_frames.
    """
    found = []
    for number, entrant in enumerate(entrants):
        settings = {"kind": entrant.kind, **entrant.settings_for(scenario.camera)}
        latency_us = (latencies_us or {}).get(entrant.name, scenario.camera.latency_us)
        camera = scenario.camera.replace(latency_us=latency_us).model_dump()
        run = scenario.replace(estimator=settings, camera=camera)
        made = make_run(run, kernels=kernels, pictures=False)
        figures = made.figures
        pointing, coupling = figures["pointing"], figures["coupling"]
        found.append(
            {
                "estimator": entrant.name,
                "latency_us": latency_us,
                "rms_urad": pointing["rms_urad"],
                "p99_urad": pointing["p99_urad"],
                "bias_urad": pointing["bias_urad"],
                "jitter_urad": pointing["jitter_urad"],
                "excess_mean_db": coupling["excess_mean_db"],
                "excess_max_db": coupling["excess_max_db"],
                "lost_frames": figures["lost"]["frames"],
            }
        )
        if tell is not None:
            tell(number + 1, len(entrants))
    return found
