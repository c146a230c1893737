"""The folder of a study of profiles."""

import datetime
from collections.abc import Sequence
from pathlib import Path

from sim.foundations.files.text import counted
from sim.report.study_page import StudyPage
from sim.scenario.model import Scenario
from sim.scenario.portable import portable_toml
from sim.studies.played.sections import profile_figures, sections_of
from sim.studies.played.study import PlayedEvent
from sim.studies.run.provenance import NOTHING_ASKED, Request
from sim.studies.run.study_folder import write_study

KIND = "profiles"
ASSUMPTIONS = (
    "What is shown is what reaches the base. Mounts, core and mirrors come after it.",
    "Tolerances say where they are from; those from memory were not checked against the document.",
)


def verdict_of(events: Sequence[PlayedEvent]) -> str:
    """Return, in a sentence, which profiles keep their tolerances."""
    if not events:
        return "Nothing accelerates the base in this scenario."
    held = [event for event in events if event.expected or event.bands or event.nominal]
    free = len(events) - len(held)
    words = f"{free} without a tolerance to be held to" if free else ""
    bad = [event.name for event in held if not event.met]
    if bad:
        profiles = counted(len(held), "profile")
        text = f"Tolerance missed by {len(bad)} of {profiles}: {'; '.join(bad)}"
    elif held:
        text = f"Tolerance kept by {len(held)} of {counted(len(held), 'profile')}"
    else:
        return f"{words[:1].upper()}{words[1:]}; state one with --nominal or --required."
    return f"{text}; {words}." if words else f"{text}."


def write(
    scenario: Scenario, events: Sequence[PlayedEvent], folder: str | Path,
    started: datetime.datetime, *, overwrite: bool, asked: Request = NOTHING_ASKED,
) -> Path:  # fmt: skip
    """Write profiles.json, scenario.toml and report.html; return the folder.

    Raises
    ------
    OutputError
        If the folder exists and may not be replaced, or cannot be written.
    """
    verdict = verdict_of(events)
    page = StudyPage(
        title=f"Profiles: {scenario.title}", question=scenario.question.strip(),
        verdict=verdict, good=bool(events) and all(event.met for event in events),
        sections=sections_of(events), notes=ASSUMPTIONS, scenario_toml=portable_toml(scenario),
        played=[event.conditions for event in events if event.conditions],
    )  # fmt: skip
    results = {"verdict": verdict, "profiles": [profile_figures(event) for event in events]}
    return write_study(
        KIND, scenario, page, results, folder, started, overwrite=overwrite, asked=asked
    )
