"""The whole comparison: from a scenario to rows, loop figures and a recommendation."""

import datetime
import time
from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

from sim.assembly.build import build
from sim.estimators import ESTIMATORS
from sim.kernels.installed import compiled_for
from sim.scenario.model import Scenario
from sim.scenario.portable import portable_toml
from sim.studies.estimators.agreement import Agreement, compare_frames
from sim.studies.estimators.cases import chosen_cases, judged_points
from sim.studies.estimators.choice import Choice
from sim.studies.estimators.frames import noisy
from sim.studies.estimators.in_loop import first_part, loop_rows
from sim.studies.estimators.judge import judge, timings
from sim.studies.estimators.noise import noise_passed
from sim.studies.estimators.price import RULES as PRICE_RULES
from sim.studies.estimators.recorded_frames import load_frames, load_truth, order_warning
from sim.studies.estimators.rows import UNITS, Row, comparison_rows
from sim.studies.estimators.settings import RULES as SETTINGS_RULES
from sim.studies.estimators.settings import entrants, window_fault
from sim.studies.run.provenance import NOTHING_ASKED, Request, now, provenance

Tell = Callable[[str, int, int], None]


class Comparison(NamedTuple):
    """What the comparison found."""

    rows: list[Row]
    summary: dict[str, Any]
    """Settings, loop figures, choices, rules and provenance: plain numbers and strings."""
    choice: Choice | None
    """None for recorded frames, and where only a part of the comparison was run."""
    agreement: Agreement | None
    """Of recorded frames."""


def compare_estimators(
    scenario: Scenario,
    loop_ms: float,
    tell: Tell | None = None,
    *,
    axes: Sequence[str] = (),
    points: Sequence[str] = (),
    asked: Request = NOTHING_ASKED,
) -> Comparison:
    """Run the comparison on a scenario's camera and in its loop.

    Parameters
    ----------
    scenario : Scenario
        Its camera is varied axis by axis; its estimator takes part with its own settings.
    loop_ms : float
        Length of the run in the loop; 0: none. [ms]
    tell : callable, optional
        Called with (what, finished, all).
    axes, points : sequence of str
        Only these axes, and single points "axis=value": no loop and no recommendation then.
    asked : Request
        What led to it, to be filed.

    Returns
    -------
    Comparison

    Raises
    ------
    ScenarioError
        If the scenario does not hold together, or an axis or a point does not exist.
    """
    started = time.perf_counter()
    kernels = compiled_for("a comparison of estimators")
    camera, part_only = scenario.camera, bool(axes or points)
    every = judged_points(noisy(camera))
    chosen = chosen_cases(every, axes, points) if part_only else every
    short = first_part(scenario, loop_ms) if loop_ms > 0 else scenario
    built = build(short, kernels)
    taking_part = entrants(scenario.estimator, camera)
    rows = comparison_rows(taking_part, chosen, scenario.seed, kernels, _named(tell, "frames"))
    timing = timings(taking_part, scenario)
    loops: list[dict[str, Any]] = []
    choice = None
    judged: dict[str, Any] = {}
    if not part_only:
        in_time = [e for e in taking_part if timing[e.name].fault is None]
        if loop_ms > 0:
            latencies = {n: t.latency_us for n, t in timing.items() if t.latency_us is not None}
            loops = loop_rows(in_time, short, kernels, _named(tell, "loop"), latencies)
        choice, judged = judge(
            taking_part, scenario, every, loops, timing, kernels, noise_passed(built),
            _named(tell, "seeds"),
        )
    summary = {
        "title": scenario.title,
        "scenario_toml": portable_toml(scenario),
        "camera": camera.model_dump(mode="json"),
        "processor": None if scenario.processor is None else scenario.processor.model_dump(),
        "settings": {e.name: e.settings_for(camera) for e in taking_part},
        "settings_rules": list(SETTINGS_RULES),
        "columns": UNITS,
        "timing": {name: t._asdict() for name, t in timing.items()},
        "loop_ms": short.duration_ms if loops else None,
        "loop_hold_from_ms": short.metrics.hold_from_ms if loops else None,
        "loop": loops,
        "recommendation": None if choice is None else _plain(choice),
        "choice_rules": list(PRICE_RULES),
        **judged,
        "notes": _notes(scenario, rows, loops),
        "provenance": _provenance(scenario, started, asked),
    }
    return Comparison(rows, summary, choice, None)


def run_recorded(
    scenario: Scenario, frames_path: Any, truth_path: Any | None, asked: Request = NOTHING_ASKED
) -> Comparison:
    """Read recorded frames with every estimator, set up for the scenario's camera.

    Parameters
    ----------
    scenario : Scenario
        Says what the camera is.
    frames_path : Path
        See `sim.studies.estimators.recorded_frames.load_frames`.
    truth_path : Path, optional
        See `sim.studies.estimators.recorded_frames.load_truth`.
    asked : Request
        What led to it, to be filed.

    Returns
    -------
    Comparison

    Raises
    ------
    ProfileError
        If a file cannot be used.
    """
    started = time.perf_counter()
    camera = scenario.camera
    frames = load_frames(frames_path, 2**camera.bits - 1)
    window = (frames.shape[1], frames.shape[2])
    truth = None if truth_path is None else load_truth(truth_path, len(frames), window)
    seen = camera.replace(window_px=frames.shape[1:])
    taking_part = entrants(scenario.estimator, seen)
    warning = order_warning(frames_path)
    agreement = compare_frames(taking_part, frames, camera, truth)
    summary = {
        "title": scenario.title,
        "scenario_toml": portable_toml(scenario),
        "camera": seen.model_dump(mode="json"),
        "settings": {e.name: e.settings_for(seen) for e in taking_part},
        "settings_rules": list(SETTINGS_RULES),
        "columns": UNITS,
        "frames_from": frames_path.name,
        "truth_from": None if truth_path is None else truth_path.name,
        "frames": len(frames),
        "estimators": [e.name for e in taking_part],
        "differences_px": agreement.differences_px,
        "camera_checks": [check._asdict() for check in agreement.checks],
        "warnings": [
            *([] if warning is None else [warning]),
            *(check.text for check in agreement.checks if not check.agrees),
        ],
        "provenance": _provenance(scenario, started, asked),
    }
    return Comparison(agreement.rows, summary, None, agreement)


def _named(tell: Tell | None, what: str) -> Callable[[int, int], None] | None:
    return None if tell is None else lambda done, total: tell(what, done, total)


def _plain(choice: Choice) -> dict[str, Any]:
    return choice._asdict() | {
        "reasons": list(choice.reasons),
        "passed_over": dict(choice.passed_over),
        "price_px": dict(choice.price_px),
    }


def _notes(scenario: Scenario, rows: list[Row], loops: list[dict[str, Any]]) -> list[str]:
    camera = scenario.camera
    notes = [
        "Simulated frames, no measurement of any camera. The spot is a round Gaussian.",
        "Times are of this project's fleet code on the machine that ran the comparison; "
        "multiply-adds and bytes are counted for a small processor that takes one spot at a time.",
        "The bound is that of the clean frame: moved and saturated as it is, without ghost, bad "
        "pixels or spill. Scatter in a case with bad pixels includes how they differ from window "
        "to window.",
        "Each point of the figures has 32 positions of 32 frames of one seed: scatter is known to "
        "about 2 %, and a bias below a tenth of the scatter is not distinguished from none. Rates "
        "below 0.1 % show as 0. The recommendation rests on more seeds.",
        "The weights of the conditions and the prices of failures are judgements: state your own "
        "(--weight, [estimator_comparison]).",
    ]
    ran = [row["rms_urad"] for row in loops if row["rms_urad"] is not None]
    if ran:
        notes.append(
            f"In the loop the pointing error is {min(ran):.2f} urad rms with the best estimator "
            f"and {max(ran):.2f} urad with the worst: what both share is not the estimator's."
        )
    if "arithmetic" in scenario.estimator:
        notes.append(
            "All estimators compute in floating point here, the scenario's own too; "
            "`mirrorloop formats` shows what its whole numbers cost."
        )
    if scenario.processor is None:
        notes.append("No [processor] is stated: arithmetic is counted, and no deadline is checked.")
    elif loops:
        notes.append(
            "In the loop each estimator has the latency of its own arithmetic; the controller's "
            "gains stay as they are."
        )
    if camera.noise == "none":
        notes.append("The camera has no noise; the comparison switched it on, the loop not.")
    if camera.row_us > 0:
        notes.append("The rolling shutter works in the loop; the comparison's frames are global.")
    for name, part in ESTIMATORS.items():
        fault = window_fault(part, camera)
        if fault is not None:
            notes.append(f"Left out: {name} {fault}.")
    return notes


def _provenance(scenario: Scenario, started: float, asked: Request) -> dict[str, Any]:
    wall_s = time.perf_counter() - started
    began = now() - datetime.timedelta(seconds=wall_s)
    return provenance(scenario, began, asked) | {"wall_s": round(wall_s, 1)}
