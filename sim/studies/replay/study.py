"""Replay: events at several levels with closed and open loop, and the margins to failure."""

import datetime
import math
from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

from sim.foundations.errors import ScenarioError
from sim.foundations.files.text import counted
from sim.foundations.ports import Array
from sim.results.table import LIMITED
from sim.scenario.model import Scenario
from sim.studies.played.study import PlayedEvent
from sim.studies.played.study import study as study_played
from sim.studies.replay.events import (
    AS_RECORDED,
    AXES,
    LOOPS,
    SENSES,
    EventProfile,
    ReplayCase,
    cases_of,
    own_events,
    with_event,
    without_events,
)
from sim.studies.replay.figures import case_figures, culprits_of
from sim.studies.replay.margin import Bracketed, find_margins
from sim.studies.replay.mechanism import mechanism_of
from sim.studies.run.make import Run, make_run
from sim.studies.run.preview import played_in, unexercised
from sim.studies.run.provenance import now
from sim.studies.run.shown import reasons_against

NOT_IN_THE_DARK = ("lost_frames_max",)
"""Limits that say nothing where the camera sees nothing."""


class LossCourse(NamedTuple):
    """The loss of a case over time."""

    case: ReplayCase
    time_s: Array
    excess_db: Array
    """(T,) largest over the connections, in each sampling interval."""


class Replay(NamedTuple):
    """Everything a replay found."""

    scenario: Scenario
    cases: list[dict[str, Any]]
    """Rows: profile, axis, sense, level, loop, figures, verdict, missed, not_shown, where."""
    margins: list[dict[str, Any]]
    """Rows: limit, profile, axis, sense, loop, factor, factor_low, factor_high, where, mechanism,
    and more."""
    courses: list[LossCourse]
    played: list[dict[str, Any]]
    """Profiles at level one, as they are filed."""
    events: list[PlayedEvent]
    """The same, held against their tolerances and required spectra; of the first level."""
    seeds: int
    started: datetime.datetime

    @property
    def weakest(self) -> dict[str, Any] | None:
        """The margin that is smallest, of the closed loop if there is one."""
        loops = [row for row in self.margins if row["loop"] == "closed"] or self.margins
        found = [row for row in loops if row["first_missed"] is not None]
        return min(found, key=_size, default=None)

    @property
    def verdict(self) -> str:
        """In one sentence, the number first."""
        row = self.weakest
        closed = [c for c in self.cases if c["loop"] == "closed"] or self.cases
        missed = [c for c in closed if c["missed"]]
        miss = "misses" if len(missed) == 1 else "miss"
        count = f"{len(missed)} of {counted(len(closed), 'case')} {miss} a limit"
        if unsure := sum(c["verdict"] == "not shown" for c in closed):
            count += f", {unsure} more {'is' if unsure == 1 else 'are'} not shown to meet them"
        if row is None:
            return f"{count}. No limit was missed up to the highest level tried." if self.margins \
                else f"{count}."  # fmt: skip
        if row["factor"] is None:
            at = f"already at level {row['first_missed']:.3g}, the lowest tried"
        else:
            at = f"at level {row['factor']:.3g} ({row['factor_low']:.3g} to {_up(row)})"
        return (
            f"{count}. First to be missed is {row['said']}, {at} of {row['profile']} along "
            f"{row['along']}, {row['loop']} loop: {row['where']}, {row['mechanism']}."
        )


def _size(row: dict[str, Any]) -> float:
    return float(row["factor"] if row["factor"] is not None else row["factor_low"])


def _up(row: dict[str, Any]) -> str:
    return "beyond the top" if row["factor_high"] is None else f"{row['factor_high']:.3g}"


def replay(
    scenario: Scenario,
    profiles: Sequence[EventProfile] = (),
    *,
    axes: Sequence[str] = ("x",),
    senses: Sequence[str] = ("+",),
    levels: Sequence[float] = (1.0,),
    loops: Sequence[str] = LOOPS,
    margin_loops: Sequence[str] = ("closed",),
    seeds: int = 3,
    top: float = 64.0,
    closeness: float = 1.05,
    threads: int | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Replay:
    """Play events at several levels, and find the level at which each limit is first missed.

    Parameters
    ----------
    scenario : Scenario
        Its limits are judged; its own events play if no profile is given.
    profiles : sequence of EventProfile
        See `parse_profile`.
    axes, senses, levels, loops : sequence
        Every combination is a case; a record keeps its own axes.
    margin_loops : sequence of str
        Loops whose margins are sought; none: no margins.
    seeds : int
        Noise seeds at each level of a margin; the switch stays the same.
    top : float
        Highest level tried, as a multiple of the largest of `levels`.
    closeness : float
        Ratio of the two levels between which a margin is left.
    threads : int, optional
        Threads of the compiled kernels.
    progress : callable, optional
        Called with (finished, all) cases and margins.

    Returns
    -------
    Replay

    Raises
    ------
    ScenarioError
        If a case cannot be run, or would not show its event.
    """
    _check(axes, senses, levels, loops, margin_loops)
    started = now()
    background = without_events(scenario)
    chosen = list(profiles) or [own_events(scenario)]
    cases = [
        (profile, case)
        for profile in chosen
        for case in cases_of(profile, tuple(axes), tuple(senses), tuple(levels), tuple(loops))
    ]
    curves = list(
        dict.fromkeys(
            (profile.name, case.axis, case.sense, loop)
            for profile, case in cases for loop in margin_loops
        )
    )  # fmt: skip
    limits = [n for n in LIMITED if getattr(scenario.limits, n) is not None] if curves else []
    done, total = 0, len(cases) + (len(curves) if limits else 0)
    rows, courses = [], []
    played: list[dict[str, Any]] = []
    events: list[PlayedEvent] = []
    for profile, case in cases:
        made = _made(background, profile, case, None, threads)
        if case.level == levels[0] and case.loop == loops[0]:
            new = [p for p in played_in(made.built) if p not in played]
            played += new
            if new:
                events += study_played(made.built)
        _check_shown(made, case)
        rows.append(_row(made, case))
        if case.level == max(levels):
            courses.append(_course(made, case))
        done += 1
        if progress is not None:
            progress(done, total)
    margins: list[dict[str, Any]] = []
    by_name = {profile.name: profile for profile in chosen}
    for name, axis, sense, loop in curves if limits else ():
        case = ReplayCase(name, axis, sense, 1.0, loop)
        asked = [n for n in limits if loop != "dark" or n not in NOT_IN_THE_DARK]
        margins += _margins(
            background, by_name[name], case, asked, levels, seeds, top * max(levels), closeness,
            threads,
        )  # fmt: skip
        done += 1
        if progress is not None:
            progress(done, total)
    return Replay(scenario, rows, margins, courses, played, events, seeds, started)


def _check(
    axes: Sequence[str], senses: Sequence[str], levels: Sequence[float], loops: Sequence[str],
    margin_loops: Sequence[str],
) -> None:  # fmt: skip
    for option, given, known in (
        ("--axes", axes, (*AXES, AS_RECORDED)), ("--senses", senses, SENSES),
        ("--loops", loops, LOOPS), ("--margins", margin_loops, LOOPS),
    ):  # fmt: skip
        for value in given:
            if value not in known:
                raise ScenarioError(f'{option}: "{value}" is not one of {", ".join(known)}')
    if not (axes and senses and levels and loops):
        raise ScenarioError("an axis, a sense, a level and a loop are needed at least")
    for level in levels:
        if not (math.isfinite(level) and 0 < level <= 1e6):
            raise ScenarioError(f"--levels: must be above 0 and at most 1e6 (got {level:g})")


def _made(
    background: Scenario, profile: EventProfile, case: ReplayCase, noise_seed: int | None,
    threads: int | None,
) -> Run:  # fmt: skip
    scenario = with_event(
        background, profile, case.axis, case.sense, case.level, case.loop
    )  # fmt: skip
    if noise_seed is not None:
        scenario = seeded(scenario, noise_seed)
    return make_run(scenario, threads=threads, pictures=False)


def seeded(scenario: Scenario, number: int) -> Scenario:
    """Return the same switch with the noise of another seed; number 0 leaves it as it is."""
    seeds = scenario.seeds
    return scenario.replace(
        population_seed=seeds.population, noise_seed=(seeds.noise + number) % 2**32
    )


def _check_shown(made: Run, case: ReplayCase) -> None:
    for reason in unexercised(made.built):
        raise ScenarioError(
            f"{case.words}: {reason}; --set duration_ms=... or --set metrics.hold_from_ms=... helps"
        )


def _row(made: Run, case: ReplayCase) -> dict[str, Any]:
    names = culprits_of(made)
    judged = [r for r in made.limits if case.loop != "dark" or r["name"] not in NOT_IN_THE_DARK]
    missed = [r["name"] for r in judged if not r["met"]]
    against = list(reasons_against(made))
    return {
        **case._asdict(),
        "along": case.along,
        "figures": case_figures(made),
        "limits": judged,
        "missed": missed,
        "not_shown": against,
        "verdict": "missed" if missed else ("not shown" if against else "met"),
        "where": names.get(missed[0] if missed else "excess_max_db"),
    }


def _course(made: Run, case: ReplayCase) -> LossCourse:
    traces = made.outcome.traces
    return LossCourse(case, traces.time_s, traces.excess_peak_db.max(axis=1))


def _margins(
    background: Scenario, profile: EventProfile, case: ReplayCase, limits: Sequence[str],
    levels: Sequence[float], seeds: int, top: float, closeness: float, threads: int | None,
) -> list[dict[str, Any]]:  # fmt: skip
    def misses(level: float) -> dict[str, list[bool]]:
        found: dict[str, list[bool]] = {name: [] for name in limits}
        for seed in range(seeds):
            made = _made(background, profile, case._replace(level=level), seed, threads)
            met = {row["name"]: row["met"] for row in made.limits}
            for name in limits:
                found[name].append(not met[name])
        return found

    bracketed = find_margins(misses, limits, levels, top=top, closeness=closeness)
    return [
        _margin_row(background, profile, case, name, bracketed[name], seeds, threads)
        for name in limits
    ]


def _margin_row(
    background: Scenario, profile: EventProfile, case: ReplayCase, name: str, found: Bracketed,
    seeds: int, threads: int | None,
) -> dict[str, Any]:  # fmt: skip
    where: str | None = None
    mechanism: str | None = None
    falls: dict[str, float | None] = {}
    if found.first_missed is not None:
        broken = case._replace(level=found.first_missed)
        for seed in range(seeds):
            scenario = with_event(
                background, profile, broken.axis, broken.sense, broken.level, broken.loop
            )
            scenario = seeded(scenario, seed)
            made = make_run(scenario, threads=threads, pictures=False)
            if not next(row["met"] for row in made.limits if row["name"] == name):
                break
        where = culprits_of(made).get(name)
        mechanism, falls = mechanism_of(
            scenario, made, lambda run: LIMITED[name].of(run.figures), threads
        )
    return {
        "limit": name, "said": LIMITED[name].said, "profile": case.profile, "axis": case.axis,
        "sense": case.sense, "along": case.along, "loop": case.loop, "factor": found.factor,
        "factor_low": found.low,
        "factor_high": found.high, "where": where, "mechanism": mechanism,
        "monotone": found.monotone, "first_missed": found.first_missed,
        "levels_tried": list(found.tried), "noise_seeds": seeds, "without": falls,
    }  # fmt: skip
