"""From sets of frames to a recommendation: timing, prices, seeds."""

from collections.abc import Callable, Sequence
from types import ModuleType
from typing import Any, NamedTuple

from sim.assembly.arithmetic import arithmetic_of
from sim.scenario.model import Scenario
from sim.studies.estimators.cases import ComparisonCase, JudgedPoint, conditions, same_point
from sim.studies.estimators.choice import CandidateScore, Choice, recommend
from sim.studies.estimators.noise import NoisePassed
from sim.studies.estimators.price import ConditionPrice, cost_factor, mean_prices, prices
from sim.studies.estimators.rows import comparison_rows, cost_columns
from sim.studies.estimators.settings import Entrant

SEED_STEP = 2_654_435_769
"""Between the seeds of the sets of frames, modulo 2^32: far from the seeds that people write."""


class Timing(NamedTuple):
    """What the processor makes of an estimator's arithmetic; None where not known."""

    compute_us: float | None
    """For one frame of all spots served. [us]"""
    latency_us: float | None
    """What the loop gets. [us]"""
    fault: str | None
    """Why it is ruled out."""


def timings(entrants: Sequence[Entrant], scenario: Scenario) -> dict[str, Timing]:
    """Return what each estimator's arithmetic takes on the scenario's processor.

    The deadline is the camera's `latency_us`, which the loop was designed for. Each estimator runs
    in the loop with its own latency: `readout_us` and its arithmetic.
    """
    found = {}
    readout_us = 0.0 if scenario.processor is None else scenario.processor.readout_us
    for entrant in entrants:
        a = arithmetic_of(scenario, entrant.part)
        latency_us = None if a.compute_us is None else readout_us + a.compute_us
        found[entrant.name] = Timing(a.compute_us, latency_us, a.fault)
    return found


def judge(
    entrants: Sequence[Entrant],
    scenario: Scenario,
    every: Sequence[ComparisonCase],
    loops: Sequence[dict[str, Any]],
    timing: dict[str, Timing],
    kernels: ModuleType,
    passed: NoisePassed,
    tell: Callable[[int, int], None] | None = None,
) -> tuple[Choice, dict[str, Any]]:
    """Read the conditions that count with several seeds, and recommend.

    `passed` is what the loop passes on of the readings' noise.

    Returns
    -------
    Choice
    dict
        For the summary: `conditions`, `prices_px` (by estimator, rms over the sets), `seeds`.
    """
    rules = scenario.estimator_comparison.replace(noise_passed=passed.share)
    counted = conditions(scenario.camera, rules.weights)
    points = [_point(every, condition) for condition in counted]
    counted = [c for c, point in zip(counted, points, strict=True) if point is not None]
    used = [point for point in points if point is not None]
    scale = 1e-3 * scenario.camera.scale_px_per_mrad
    loop_px = {r["estimator"]: r["rms_urad"] * scale for r in loops if r["rms_urad"] is not None}
    seeds = [(scenario.seed + k * SEED_STEP) % 2**32 for k in range(rules.seeds)]
    totals: dict[str, list[float]] = {e.name: [] for e in entrants}
    parts: dict[str, list[list[ConditionPrice]]] = {e.name: [] for e in entrants}
    for number, seed in enumerate(seeds):
        rows = comparison_rows(entrants, used, seed, kernels, timed=False)
        for entrant in entrants:
            own = [row for row in rows if row["estimator"] == entrant.name]
            total, found = prices(own, counted, rules, loop_px.get(entrant.name))
            totals[entrant.name].append(total)
            parts[entrant.name].append(found)
        if tell is not None:
            tell(number + 1, len(seeds))
    counts = {
        e.name: cost_columns(e.part, scenario.camera.window_px)["multiply_adds"] for e in entrants
    }
    known = [count for count in counts.values() if count is not None]
    means = {name: mean_prices(sets) for name, sets in parts.items()}
    scores = [
        CandidateScore(
            e.name,
            tuple(totals[e.name]),
            cost_factor(counts[e.name], known, rules.tenfold_cost_pct),
            counts[e.name],
            means[e.name],
            timing[e.name].fault,
        )
        for e in entrants
    ]
    summary = {
        "seeds": seeds,
        "estimator_comparison": rules.model_dump(),
        "noise_passed_source": passed.source,
        "conditions": [c._asdict() for c in counted],
        "prices_px": {s.estimator: list(s.price_px) for s in scores},
        "condition_prices": {n: [c._asdict() for c in found] for n, found in means.items()},
    }
    return recommend(scores), summary


def _point(every: Sequence[ComparisonCase], condition: JudgedPoint) -> ComparisonCase | None:
    """The case of a condition; None where the camera cannot have it."""
    return next((case for case in every if same_point(case, condition.axis, condition.value)), None)
