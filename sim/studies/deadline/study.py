"""What missing the deadline costs: the loop against a difference equation, share by share."""

from collections.abc import Callable, Sequence
from typing import Any, Final, NamedTuple

import numpy as np
from scipy.stats import t

from sim.assembly.build import build
from sim.foundations.ports import Array, SpotStatus
from sim.scenario.model import Scenario
from sim.studies.deadline.budget import FrameBudget, time_budget
from sim.studies.deadline.difference import error_course, judged_frames
from sim.studies.deadline.kinds import EstimatorsCompared, compare_kinds
from sim.studies.margins.spectra import reading_scatter_rad
from sim.studies.run.make import make_run

SHARES_PCT: Final = (0.0, 1.0, 10.0)
JITTER_OF_FRAME: Final = (0.1, 0.3)
"""Longest extra latencies, as parts of a frame."""
AGREE: Final = 0.10
"""Loop and equation agree if they differ by less than this share, or by their intervals. [-]"""


class Residual(NamedTuple):
    """Rms pointing error over seeds, with Student's interval of 95 %; None: not computed."""

    mean_urad: float
    half_urad: float


def apart_pct(found: Residual, other: Residual) -> float | None:
    """Return how far one error is from another; None where that other one is 0. [%]"""
    if other.mean_urad == 0.0:
        return None
    return 100.0 * (found.mean_urad / other.mean_urad - 1.0)


class DropRow(NamedTuple):
    """One share of missed frames."""

    share_pct: float
    dropped: Residual
    """By the loop; a frame that is missed is thrown away, and the correction held."""
    equation: Residual
    """By the difference equation."""
    late: Residual | None
    """By the loop; a frame that is missed comes one frame later, and is used."""
    lost_pct: float
    """Share of the loop's readings that were missing."""

    @property
    def apart_pct(self) -> float | None:
        """How far the loop is from the equation; None where that has no error at all. [%]"""
        return apart_pct(self.dropped, self.equation)

    @property
    def agrees(self) -> bool:
        """Whether they agree within `AGREE` or their intervals."""
        both = np.hypot(self.dropped.half_urad, self.equation.half_urad)
        apart = abs(self.dropped.mean_urad - self.equation.mean_urad)
        return bool(apart <= max(both, AGREE * self.equation.mean_urad))


class JitterRow(NamedTuple):
    """One jitter of the latency."""

    jitter_us: float
    """Longest extra latency; each frame's is drawn evenly from none to that. [us]"""
    pointing: Residual
    """By the loop."""
    apart_pct: float | None
    """Against no jitter, under the same seeds; None where that has no error at all. [%]"""


class Deadline(NamedTuple):
    """What a deadline asks for, and what missing it costs."""

    budget: FrameBudget
    compared: EstimatorsCompared
    """All estimators with C source on the same processor."""
    scatter_urad: tuple[float, float]
    rows: tuple[DropRow, ...]
    seeds: int
    moves_in_hold: int
    other_events: int
    jitter: tuple[JitterRow, ...] = ()


def study_deadline(
    scenario: Scenario, shares_pct: Sequence[float] = SHARES_PCT, seeds: int = 4, *,
    jitter_us: Sequence[float] | None = None, emulate: bool = True,
    progress: Callable[[int, int], None] | None = None,
    counting: Callable[[int, int], None] | None = None,
) -> Deadline:  # fmt: skip
    """Count what a frame takes, and run the scenario with shares of its frames missed.

    Parameters
    ----------
    scenario : Scenario
        As read. Its events act in the loop, not in the equation.
    shares_pct : sequence of float
        Of the frames; 0 is taken along. [%]
    seeds : int
        Runs of each share, over noise seeds.
    jitter_us : sequence of float, optional
        Longest extra latencies, drawn anew for each frame; `JITTER_OF_FRAME` of a frame if left
        out. [us]
    emulate : bool
        Whether to count instructions on the emulator where firmware can run there.
    progress : callable, optional
        Called with (finished runs, all runs).
    counting : callable, optional
        Called with (estimators counted, all estimators).
    """
    built = build(scenario)
    judged_frames(built)
    compared = compare_kinds(scenario, emulate=emulate, progress=counting)
    budget = time_budget(built, compared)
    scatter = reading_scatter_rad(built)
    shares = sorted({0.0, *shares_pct})
    if jitter_us is None:
        jitter_us = [round(1e6 * part / scenario.camera.frame_hz, 3) for part in JITTER_OF_FRAME]
    total, done = (2 * len(shares) - 1 + len(jitter_us)) * seeds, 0
    rows = []
    for share in shares:
        found: dict[str, list[float]] = {"dropped": [], "late": [], "equation": []}
        lost = []
        for k in range(seeds):
            seeded = _seeded(scenario, k)
            for kind in ("dropped", "late") if share > 0 else ("dropped",):
                if progress is not None:
                    progress(done, total)
                made = make_run(_with(seeded, kind, share), pictures=False)
                found[kind].append(made.figures["pointing"]["rms_urad"])
                done += 1
                if kind == "dropped":
                    status = made.outcome.traces.status_frames
                    lost.append(100.0 * status[SpotStatus.NO_FRAME].sum() / status.sum())
            equation = error_course(build(seeded), scatter, 0.01 * share, seeded.seeds.noise)
            found["equation"].append(1e6 * equation.rms_rad)
        rows.append(
            DropRow(
                share, residual_of(np.array(found["dropped"])),
                residual_of(np.array(found["equation"])),
                residual_of(np.array(found["late"])) if found["late"] else None,
                float(np.mean(lost)),
            )
        )  # fmt: skip
    jitter = []
    for jitter_of in jitter_us:
        values = []
        for k in range(seeds):
            if progress is not None:
                progress(done, total)
            seeded = _seeded(scenario, k)
            event = {"kind": "latency_jitter", "at_ms": 0.0, "jitter_us": jitter_of}
            made = make_run(_with_event(seeded, event), pictures=False)
            values.append(made.figures["pointing"]["rms_urad"])
            done += 1
        found_with = residual_of(np.array(values))
        jitter.append(JitterRow(jitter_of, found_with, apart_pct(found_with, rows[0].dropped)))
    if progress is not None:
        progress(total, total)
    hold_from_s = 1e-3 * scenario.metrics.hold_from_ms
    moves = sum(e.commanded and e.start_s >= hold_from_s for e in built.parts.epochs)
    x, y = 1e6 * scatter
    return Deadline(
        budget, compared, (float(x), float(y)), tuple(rows), seeds, moves, len(scenario.events),
        tuple(jitter),
    )  # fmt: skip


def residual_of(values: Array) -> Residual:
    """Return mean and half width of Student's interval of 95 % of values (S,) of runs."""
    n = len(values)
    half = float(t.ppf(0.975, n - 1) * values.std(ddof=1) / np.sqrt(n)) if n > 1 else 0.0
    return Residual(float(values.mean()), half)


def _seeded(scenario: Scenario, k: int) -> Scenario:
    """Return the scenario with the k-th of its noise seeds."""
    return scenario.replace(
        noise_seed=(scenario.seeds.noise + k) % 2**32, population_seed=scenario.seeds.population
    )


def _with(scenario: Scenario, kind: str, share_pct: float) -> Scenario:
    """Return the scenario with a share of all frames missed in one way."""
    if share_pct == 0.0:
        return scenario
    event: dict[str, Any] = {"kind": f"frames_{kind}", "at_ms": 0.0, "share_pct": share_pct}
    if kind == "late":
        event["late_frames"] = 1
    return _with_event(scenario, event)


def _with_event(scenario: Scenario, event: dict[str, Any]) -> Scenario:
    return scenario.replace(events=[*scenario.model_dump()["events"], event])
