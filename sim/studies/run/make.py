"""The one way from a scenario to the figures of its run: build, simulate, judge."""

import math
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from types import ModuleType
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.assembly.build import Built, build
from sim.assembly.cost import Budget, check_time
from sim.calibration.results import Beliefs
from sim.foundations.errors import ScenarioError
from sim.foundations.ports import Array
from sim.kernels.threads import available, blocks_of, on_threads
from sim.life.condition import Condition
from sim.loop.parts import Parts
from sim.loop.simulate import LoopResult, simulate
from sim.results.events import event_figures, mirrors_taken_over
from sim.results.limits import check_limits
from sim.results.metrics import evaluate, mirror_name
from sim.results.stability import diverged, diverging_words
from sim.results.traces import Traces
from sim.scenario.model import Scenario
from sim.studies.run.crossings import crosstalk_of


class Run(NamedTuple):
    """A run that was made, before anything is drawn or filed."""

    built: Built
    outcome: LoopResult
    figures: dict[str, Any]
    """See `sim.results.metrics.evaluate`."""
    limits: list[dict[str, Any]]
    """See `sim.results.limits.check_limits`."""
    diverging: tuple[str, ...]
    """What is to be said of loops that diverged, see `sim.results.stability`; empty: none did."""
    threads: int
    wall_s: float


def make_run(
    scenario: Scenario,
    progress: Callable[[int, int], None] | None = None,
    *,
    threads: int | None = None,
    kernels: ModuleType | None = None,
    pictures: bool = True,
    crosstalk: bool = False,
    budget: Budget | None = None,
    condition: Condition | None = None,
    beliefs: Beliefs | None = None,
) -> Run:
    """Make one run.

    Parameters
    ----------
    scenario : Scenario
        From `sim.scenario.model.load_scenario`.
    progress : callable, optional
        Called with (finished frames, all frames) as the run goes on.
    threads : int, optional
        Threads of the compiled kernels; the result does not depend on it. All there are if left
        out, but no more than there is work for.
    kernels : module, optional
        `sim.kernels.plain` for the plain form; the compiled kernels if left out.
    pictures : bool
        Whether camera windows are kept to be drawn.
    crosstalk : bool
        Whether crosstalk of the beams that events strike is worked out, which takes seconds; it is
        where a limit is on it.
    budget : Budget, optional
        The most memory and time that the run may take; `default_budget` if left out.
    condition : Condition, optional
        What years have made of the switch; as built if left out.
    beliefs : Beliefs, optional
        What the firmware goes by after a calibration; that of the scenario if left out.

    Returns
    -------
    Run

    Raises
    ------
    SimError
        If the scenario cannot be run as it stands, or a figure comes out that is not finite.
    """
    clock_s = time.perf_counter()
    check_time(scenario, budget)
    built = build(scenario, kernels, budget=budget, condition=condition, beliefs=beliefs)
    if not pictures:
        built = built._replace(parts=replace(built.parts, pictures=()))
    parts = built.parts
    if threads is None:
        threads = min(available(), blocks_of(len(parts.mirrors)))
    total = parts.clock.n_frames
    tell = None if progress is None else lambda done: progress(done, total)
    with on_threads(threads):
        outcome = simulate(parts, tell)
    parts = outcome.parts
    built = built._replace(parts=parts)
    figures = evaluate(
        outcome.traces,
        parts.epochs,
        scenario.metrics,
        ports=scenario.switch.geometry.ports_per_side,
        sway_m=outcome.sway_m,
        clearance_mm=None if scenario.isolator is None else scenario.isolator.clearance_mm,
    )
    if outcome.cut_off is not None:
        figures["whole_numbers"] = _cut_off(outcome.cut_off, outcome.traces, scenario)
    if parts.events:
        limited = scenario.limits.event_crosstalk_min_db is not None
        figures["events"] = event_figures(
            parts.events, outcome.traces, parts.epochs, scenario.metrics,
            ports=scenario.switch.geometry.ports_per_side,
            crosstalk=crosstalk_of(built, outcome.traces) if crosstalk or limited else None,
        )  # fmt: skip
    _check_finite(figures)
    limits = check_limits(figures, scenario.limits)
    ports = scenario.switch.geometry.ports_per_side
    own = ~mirrors_taken_over(parts.events, len(parts.mirrors))
    wild = diverged(outcome.traces, _room_rad(parts), own)
    unstable = diverging_words(wild, outcome.traces, ports)
    wall_s = time.perf_counter() - clock_s
    return Run(built, outcome, figures, limits, unstable, threads, wall_s)


def _cut_off(count: NDArray[np.int64], traces: Traces, scenario: Scenario) -> dict[str, Any]:
    """Return how often words of a controller in whole numbers were cut off."""
    by_mirror = count.sum(axis=1)
    worst = int(by_mirror.argmax())
    ports = scenario.switch.geometry.ports_per_side
    return {
        "cut_off": int(by_mirror.sum()),
        "mirrors": int((by_mirror > 0).sum()),
        "worst_mirror": mirror_name(int(traces.mirrors[worst]), ports) if by_mirror.any() else None,
        "worst_mirror_cut_off": int(by_mirror[worst]),
    }


def _room_rad(parts: Parts) -> Array:
    """How far each mirror (M, 2) can be corrected: by its drive, and within its camera window."""
    height, width = parts.measurement.window_px
    window_rad = 0.5 * np.array([width, height]) / parts.scale_px_per_rad
    return np.minimum(parts.drive_limit_rad, window_rad)


def _check_finite(figures: dict[str, Any]) -> None:
    wild = sorted(path for path, value in _numbers(figures, "") if not math.isfinite(value))
    if wild:
        more = ", ..." if len(wild) > 3 else ""
        raise ScenarioError(
            f"figures are not finite numbers ({', '.join(wild[:3])}{more}): the scenario leads out "
            "of what the model can say. Look for values far from those of the gallery"
        )


def _numbers(tree: Any, path: str) -> Iterator[tuple[str, float]]:
    """Yield every number in figures, with its place."""
    if isinstance(tree, dict):
        for key, value in tree.items():
            yield from _numbers(value, f"{path}.{key}" if path else str(key))
    elif isinstance(tree, list | tuple):
        for part in tree:
            yield from _numbers(part, path)
    elif isinstance(tree, float):
        yield path, tree
