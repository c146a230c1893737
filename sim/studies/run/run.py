"""One run with all that is filed of it."""

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.assembly.build import Built
from sim.assembly.cost import Budget
from sim.foundations.files.text import counted
from sim.foundations.ports import conditions_of
from sim.kernels.installed import installed, why_plain
from sim.life.condition import Condition
from sim.loop.fused import reasons_not_fused
from sim.loop.history import environment_of
from sim.loop.stopwatch import Spent
from sim.mechanics.shock_spectrum import ResponseSpectrum, shock_spectrum
from sim.results.events import still_out
from sim.results.ranking import rank
from sim.results.sway import AXES, strikes
from sim.results.verdict import verdict_of
from sim.scenario.model import Scenario
from sim.studies.played.required_spectrum import missed_spectra
from sim.studies.played.study import study as study_played
from sim.studies.run.alarms import alarm_rows
from sim.studies.run.make import make_run
from sim.studies.run.page_data import page_data
from sim.studies.run.preview import unexercised
from sim.studies.run.provenance import NOTHING_ASKED, Request, now, provenance
from sim.studies.run.result import Result

SPECTRUM_QUALITY = 10.0
SPECTRUM_POINTS = 60
SUPPORT = 10.0
"""Samples to a period up to which a spectrum is supported (common practice; straight lines between
samples then weaken a sine by 3 %)."""
SPECTRUM_SAMPLES = 400_000
"""Longer accelerations are thinned to about this many samples before their spectrum is taken."""
LATE = (
    "This run starts late in the life of its switch: alignment, calibration and losses are those "
    "of that age. They are in no key of the filed scenario; the command with --at-year makes them."
)
ASSUMPTIONS = (
    "Misalignment loss, that over the aligned loss, is a quadratic form of small tilt errors of "
    "both mirrors about the aligned beam; clipping is that of the aligned beam. Beyond about 40 dB "
    "it only means that there is no light: scattered light and crosstalk are not modelled.",
    "Core acceleration acts on every mirror along the arrays' own axes and is the same everywhere.",
    "The switch and its surroundings are those of the scenario; values marked there as invented "
    "or chosen have not been measured on any hardware.",
)


def run(
    scenario: Scenario,
    progress: Callable[[int, int], None] | None = None,
    *,
    threads: int | None = None,
    asked: Request = NOTHING_ASKED,
    budget: Budget | None = None,
    condition: Condition | None = None,
) -> Result:
    """Run one scenario.

    Parameters
    ----------
    scenario : Scenario
        From `sim.load_scenario`.
    progress : callable, optional
        Called with (finished frames, all frames) as the run goes on.
    threads : int, optional
        Threads of the compiled kernels; the result does not depend on it. All there are if left
        out, but no more than there is work for.
    asked : Request
        What led to the scenario, to be filed.
    budget : Budget, optional
        The most memory and time that the run may take.
    condition : Condition, optional
        What years have made of the switch; as built if left out.

    Returns
    -------
    Result
        Figures, limits, traces and what is needed to file them; nothing is written yet.

    Raises
    ------
    SimError
        If the scenario cannot be run as it stands.
    """
    started = now()
    made = make_run(
        scenario, progress, threads=threads, budget=budget, condition=condition, crosstalk=True
    )
    built, outcome = made.built, made.outcome
    clock = built.parts.clock
    origin = provenance(scenario, started, asked) | {
        "wall_s": round(made.wall_s, 3),
        "simulated_s": clock.n_frames * clock.frame_s,
        "mirrors": len(built.parts.mirrors),
        "threads": made.threads,
        "kernels": built.parts.kernels.__name__.rpartition(".")[2],
        "kernels_because": why_plain() if built.parts.kernels is installed() else None,
        "execution": _execution(outcome.spent, clock.n_frames),
        "execution_because": list(reasons_not_fused(built.parts)),
        "start_s": round(outcome.spent.start_s, 3),
        "spent_s": {k: round(v, 4) for k, v in outcome.spent.by_stage_s().items()},
    }
    rows = rank(
        outcome.traces,
        built.parts.epochs,
        scenario.metrics,
        ports=scenario.switch.geometry.ports_per_side,
        figures=made.figures,
    )
    alarms = None
    if built.parts.health is not None:
        alarms = tuple(alarm_rows(outcome, scenario.switch.geometry.ports_per_side))
    return Result(
        scenario=built.resolved,
        alarms=alarms,
        played=tuple(study_played(built)),
        figures=made.figures,
        limits=made.limits,
        traces=outcome.traces,
        epochs=built.parts.epochs,
        images=outcome.images,
        shock_spectrum=_spectrum(built),
        notes=(
            *(() if condition is None else (LATE,)), *built.warnings, *_late(built),
            *_cut_off(made.figures),
            *_sway(made.figures["sway"]), *ASSUMPTIONS,
        ),
        provenance=origin,
        rows=rows,
        verdict=verdict_of(
            made.limits, rows.culprits, unexercised(built),
            (*strikes(made.figures["sway"]), *still_out(made.figures)), made.diverging,
            short=missed_spectra(built),
        ),
        page_data=page_data(built, outcome.images),
        conditions=tuple(conditions_of(built.parts.disturbances)),
    )


def _cut_off(figures: Mapping[str, Any]) -> tuple[str, ...]:
    words = figures.get("whole_numbers")
    if words is None or not words["cut_off"]:
        return ()
    return (
        f"Words of the controller were cut off {counted(words['cut_off'], 'time')}, on "
        f"{counted(words['mirrors'], 'mirror')}, most often on {words['worst_mirror']}: they are "
        "too short for this run.",
    )


def _late(built: Built) -> tuple[str, ...]:
    fault = built.arithmetic.fault
    return () if fault is None else (f"The estimator does not fit its processor: {fault}.",)


def _execution(spent: Spent, n_frames: int) -> str:
    if not spent.fused_frames:
        return "frame by frame"
    single = n_frames - spent.fused_frames
    if not single:
        return "fused"
    return f"fused, {single} of {counted(n_frames, 'frame')} one by one under events"


def _sway(sway: dict[str, Any]) -> tuple[str, ...]:
    if sway["max_mm"] is None:
        return ()
    largest = ", ".join(f"{sway[f'{axis}_mm']:.3f}" for axis in AXES)
    clearance = ", ".join(f"{value:g}" for value in sway["clearance_mm"])
    return (
        f"Largest sway of the core on its mounts, x, y, z: {largest} mm of {clearance} mm "
        f"clearance, at most {sway['clearance_pct']:.1f} % of it.",
        *(f"{what[0].upper()}{what[1:]}, so what follows rests on their stiffness and damping."
          for what in strikes(sway)),
    )  # fmt: skip


def _spectrum(built: Built) -> ResponseSpectrum | None:
    """Shock response spectrum of the core's acceleration, or None without any."""
    acceleration = core_acceleration(built)
    if not acceleration.any():
        return None
    stride = max(1, len(acceleration) // SPECTRUM_SAMPLES)
    rate_hz = 1.0 / (built.parts.clock.tick_s * stride)
    frequencies = np.geomspace(2.0, min(2000.0, rate_hz / 4.0), SPECTRUM_POINTS)
    axes = [
        shock_spectrum(axis, rate_hz, frequencies, SPECTRUM_QUALITY)
        for axis in acceleration[::stride].T
    ]
    records = [c["rate_hz"] for c in conditions_of(built.parts.disturbances) if "rate_hz" in c]
    slowest = min([rate_hz, *records])
    return ResponseSpectrum(
        frequencies, np.stack(axes, axis=-1), SPECTRUM_QUALITY, slowest / SUPPORT, slowest
    )


def core_acceleration(built: Built) -> NDArray[np.float64]:
    """Return (n, 3) core acceleration at every tick edge of the run, made anew. [m/s^2]"""
    return np.concatenate([block.acceleration[:-1] for block in environment_of(built.parts)])
