"""One case of a campaign: its figures and limits, and its margins if they are sought."""

import json
import time
from typing import Any

from sim.studies.campaign.plan import CampaignCase
from sim.studies.replay.events import EventProfile, with_event
from sim.studies.replay.figures import case_figures, culprits_of
from sim.studies.replay.margin import find_margins
from sim.studies.replay.study import NOT_IN_THE_DARK, seeded
from sim.studies.run.make import Run, make_run
from sim.studies.run.shown import reasons_against
from sim.studies.sweep.one_run import NOT_SHOWN, ONE_AT_A_TIME, RunOutcome, failed


def one_case(text: str, seed: int) -> RunOutcome:
    """Do one run of a case on one thread, and search its margins with the first seed's run.

    Parameters
    ----------
    text : str
        From `sim.studies.campaign.plan`.
    seed : int
        Number of the noise seed; 0 is the scenario's own.

    Returns
    -------
    RunOutcome
        Figures by key; `limit.NAME`, `where.NAME`, and `factor.NAME`, `low.NAME`, `high.NAME`,
        `monotone.NAME` where margins are sought; `reasons.not_shown` where there are any.
    """
    with ONE_AT_A_TIME:
        clock_s = time.perf_counter()
        try:
            return _done(json.loads(text), seed, clock_s)
        except Exception as exc:  # one run must not cost the others
            return failed(exc, time.perf_counter() - clock_s)


def made_case(job: dict[str, Any], seed: int, factor: float = 1.0, threads: int | None = 1) -> Run:
    """Make the run of a case, at a factor of its level."""
    from sim.scenario.model import Scenario

    case = CampaignCase(*job["case"])
    name, entries = job["profile"]
    scenario = with_event(
        Scenario.model_validate(job["scenario"]), EventProfile(name, tuple(entries)), case.axis,
        case.sense, factor * case.level, case.loop,
    )  # fmt: skip
    return make_run(seeded(scenario, seed), threads=threads, pictures=False)


def _done(job: dict[str, Any], seed: int, clock_s: float) -> RunOutcome:
    case = CampaignCase(*job["case"])
    made = made_case(job, seed)
    judged = [r for r in made.limits if case.loop != "dark" or r["name"] not in NOT_IN_THE_DARK]
    names = culprits_of(made)
    figures: dict[str, Any] = dict(case_figures(made))
    for row in judged:
        figures[f"limit.{row['name']}"] = row["value"]
        figures[f"where.{row['name']}"] = names.get(row["name"])
    missed = tuple(row["name"] for row in judged if not row["met"])
    if against := reasons_against(made):
        figures["reasons.not_shown"] = list(against)
        missed = missed or (NOT_SHOWN,)
    if job["margins"] and seed == 0:
        figures |= _margins(job, [row["name"] for row in judged])
    return RunOutcome(figures, missed, None, time.perf_counter() - clock_s)


def _margins(job: dict[str, Any], limits: list[str]) -> dict[str, Any]:
    settings = job["margins"]

    def misses(factor: float) -> dict[str, list[bool]]:
        found: dict[str, list[bool]] = {name: [] for name in limits}
        for seed in range(settings["seeds"]):
            met = {row["name"]: row["met"] for row in made_case(job, seed, factor).limits}
            for name in limits:
                found[name].append(not met[name])
        return found

    closeness = 1.0 + settings["within_pct"] / 100.0
    found = find_margins(misses, limits, (1.0,), top=settings["top"], closeness=closeness)
    out: dict[str, Any] = {}
    for name, row in found.items():
        out |= {
            f"factor.{name}": row.factor, f"low.{name}": row.low, f"high.{name}": row.high,
            f"monotone.{name}": row.monotone, f"first.{name}": row.first_missed,
        }  # fmt: skip
    return out
