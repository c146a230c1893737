"""The page of a campaign: matrix of verdicts, worst case of each limit, profiles."""

import json
from pathlib import Path
from typing import Any, Final, NamedTuple

from sim.report.study_page import Section, StudyPage, Table
from sim.results.table import LIMITED
from sim.scenario.portable import portable_toml
from sim.studies.campaign import plots
from sim.studies.campaign.found import Campaign
from sim.studies.campaign.one_case import made_case
from sim.studies.campaign.plan import CampaignPlan
from sim.studies.played.sections import profile_figures, sections_of
from sim.studies.played.study import PlayedEvent
from sim.studies.played.study import study as study_profiles
from sim.studies.replay.page import cell
from sim.studies.run.preview import played_in
from sim.studies.run.provenance import switch_words
from sim.studies.sweep.identity import digest

ASSUMPTIONS: Final = (
    "Each cell of the matrix is the largest figure over the case's noise seeds, with its share of "
    "the limit. A level margin is the factor on the case's level at which the limit is first "
    "missed, from bisection; it speaks of these seeds and this switch.",
    "Levels are the user's; no level of a standard is claimed.",
    "A simulation does not replace the test. Real switches carry invisible laser radiation (IEC "
    "60825-1 and -2) and voltages above 100 V; a shaker moves masses. Local rules and qualified "
    "people decide.",
)


class ProfileShown(NamedTuple):
    """A profile as its first case plays it."""

    name: str
    events: list[PlayedEvent]
    conditions: list[dict[str, Any]]

    def numbers(self) -> list[dict[str, Any]]:
        """Return what is filed of it: figures against tolerances, spectra, density."""
        return [{"profile": self.name, **profile_figures(event)} for event in self.events]


def profiles_of(plan: CampaignPlan) -> list[ProfileShown]:
    """Return every profile, held against its tolerances and required spectrum."""
    shown: dict[str, ProfileShown] = {}
    for case, text in zip(plan.cases, plan.scenarios, strict=True):
        if case.profile not in shown:
            built = _built(json.loads(text))
            shown[case.profile] = ProfileShown(
                case.profile, study_profiles(built), played_in(built)
            )
    return list(shown.values())


def page_of(found: Campaign, profiles: list[ProfileShown]) -> StudyPage:
    """Return the page."""
    plan = found.plan
    names = list(dict.fromkeys(row["name"] for r in found.rows for row in r["limits"]))
    sections = [
        Section("Matrix of verdicts", _failures(found), [_matrix(found, names), _figures(found)]),
        Section("Worst case of each limit", pictures=_worst(found, names)),
        Section("What was played, and with which settings", tables=[_profiles(plan), _sets(plan)]),
    ]
    played: list[dict[str, Any]] = []
    for profile in profiles:
        sections += sections_of(profile.events, f"Profile {profile.name}")
        played += [p for p in profile.conditions if p not in played]
    return StudyPage(
        title=plan.params.title,
        question=plan.params.question.strip(),
        verdict=found.verdict,
        good=not found.bad,
        sections=sections,
        notes=ASSUMPTIONS,
        scenario_toml=portable_toml(plan.base),
        strip=[("switch", switch_words(plan.base)), ("cases", str(len(found.rows))),
               ("runs", str(plan.n_runs))],
        played=played,
        input_name="scenario of all cases, without events",
    )  # fmt: skip


def hashes_of(plan: CampaignPlan) -> dict[str, str]:
    """Return a short SHA-256 of each profile's settings; a record's file has its own beside it."""
    found = {}
    for name, entry in plan.params.profiles.items():
        place = {"file": Path(entry["file"]).name} if "file" in entry else {}
        found[name] = digest(json.dumps({**entry, **place}, sort_keys=True).encode())
    return found


def _profiles(plan: CampaignPlan) -> Table:
    kinds = plan.params.profiles
    return Table(
        "Profiles; of a record the hash of its file is below",
        ["Profile", "Kind", "First digits of the SHA-256 of its settings"],
        [[name, str(kinds[name]["kind"]).replace("_", " "), value]
         for name, value in hashes_of(plan).items()],
    )  # fmt: skip


def _sets(plan: CampaignPlan) -> Table:
    """Return what the campaign changes in the scenario, for all cases and for some."""
    p = plan.params
    rows = [["all", *_halves(text)] for text in (*p.set, *(f"limits.{k}={v}" for k, v in
                                                           p.limits.items()))]  # fmt: skip
    rows += [[group.profile, *_halves(text)] for group in p.cases for text in group.set]
    rows = rows or [["all", "none", ""]]
    return Table("Changes to the scenario", ["Cases", "Key", "Value"], rows)


def _halves(text: str) -> list[str]:
    key, _, value = text.partition("=")
    return [key, value]


def _built(job: dict[str, Any]) -> Any:
    from sim.assembly.build import build
    from sim.scenario.model import Scenario
    from sim.studies.campaign.plan import CampaignCase
    from sim.studies.replay.events import EventProfile, with_event

    case = CampaignCase(*job["case"])
    name, entries = job["profile"]
    scenario = Scenario.model_validate(job["scenario"])
    return build(
        with_event(scenario, EventProfile(name, tuple(entries)), case.axis, case.sense, case.level,
                   case.loop)
    )  # fmt: skip


def _failures(found: Campaign) -> list[str]:
    lines = []
    for row in found.rows:
        if row["errors"]:
            lines.append(f"{row['name']} could not be done: {row['errors'][0]}.")
        for limit in row["limits"]:
            if not limit["met"]:
                lines.append(
                    f"{row['name']} misses {LIMITED[limit['name']].said}: {cell(limit['value'])} "
                    f"of {limit['limit']:g}, {limit['where'] or 'no place'}."
                )
        lines += [f"{row['name']} is not shown: {text}." for text in row["not_shown"]]
    return lines or ["No case misses a limit."]


def _matrix(found: Campaign, names: list[str]) -> Table:
    heads = []
    for name in names:
        figure = LIMITED[name]
        limit = next(r["limit"] for row in found.rows for r in row["limits"] if r["name"] == name)
        unit = f" {figure.unit}" if figure.unit else ""
        heads.append(f"{figure.said}, limit {limit:g}{unit}")
    rows = []
    for row in found.rows:
        cells = {r["name"]: _limit_cell(r) for r in row["limits"]}
        rows.append([row["name"], *(cells.get(name, "not judged") for name in names),
                     row["verdict"]])  # fmt: skip
    caption = "Value, share of the limit, and the factor on the level at which it is missed"
    if found.plan.params.margins is None:
        caption = "Value and share of the limit"
    return Table(caption, ["Case", *heads, "Verdict"], rows)


def _limit_cell(row: dict[str, Any]) -> str:
    text = cell(row["value"], 3)
    if row["used"] is not None:
        text += f" ({100 * row['used']:.0f} %)"
    if row["factor"] is not None:
        text += f", ×{row['factor']:.2g}"
    elif row.get("low"):
        text += f", over ×{row['low']:.2g}"
    elif row.get("first") is not None:
        text += f", under ×{row['first']:.2g}"
    return text if row["monotone"] in (True, None) else f"{text} (not monotone)"


def _figures(found: Campaign) -> Table:
    keys = (
        ("peak_error_urad", "Peak error [µrad]"), ("peak_loss_db", "Peak loss [dB]"),
        ("longest_outage_ms", "Longest outage [ms]"), ("recovery_ms", "Recovery [ms]"),
        ("sway_mm", "Sway [mm]"), ("core_peak_g", "Core [g]"),
    )  # fmt: skip
    return Table(
        "What each case did; “–” for a recovery: still out when the run ends",
        ["Case", *(head for _, head in keys)],
        [[r["name"], *(cell(r["figures"].get(key), 3) for key, _ in keys)] for r in found.rows],
    )


def _worst(found: Campaign, names: list[str]) -> list[Any]:
    """Draw the case that uses most of each limit; a case is drawn once."""
    groups: dict[int, list[str]] = {}
    for name in names:
        used = [
            (float("inf") if r["used"] is None else r["used"], number)
            for number, row in enumerate(found.rows) for r in row["limits"] if r["name"] == name
        ]  # fmt: skip
        if used:
            groups.setdefault(max(used)[1], []).append(name)
    pictures = []
    for number, limits in groups.items():
        made = made_case(json.loads(found.plan.scenarios[number]), 0, threads=None)
        pictures.append(plots.course(made, found.rows[number]["name"], limits))
    return pictures
