"""Pages of studies: a verdict, tables and pictures, in the one design of all pages."""

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from sim.report.base import base_of, template
from sim.report.drawing import Picture
from sim.results.units import with_signs


class Table(NamedTuple):
    """Cells are text already; the first of each row names it."""

    caption: str
    head: Sequence[str]
    rows: Sequence[Sequence[str]]


class Section(NamedTuple):
    """Texts, then tables, then pictures."""

    heading: str
    texts: Sequence[str] = ()
    tables: Sequence[Table] = ()
    pictures: Sequence[Picture] = ()


class StudyPage(NamedTuple):
    """Everything one page shows."""

    title: str
    question: str
    verdict: str
    good: bool
    """Whether the verdict is what one hopes for."""
    sections: Sequence[Section]
    notes: Sequence[str]
    """Assumptions and limits."""
    scenario_toml: str
    """What it was computed from; empty if there is no such text."""
    provenance: Mapping[str, Any] = {}
    """Version, time, overrides, command: as the results hold them; put in when it is filed."""
    strip: Sequence[tuple[str, str]] = ()
    """Names and texts below the verdict; seed, version and date follow them."""
    played: Sequence[Mapping[str, Any]] = ()
    """Records and shocks, as disturbances describe them."""
    input_name: str = "scenario, as resolved"


def render_study(page: StudyPage) -> str:
    """Return one HTML page that loads nothing and runs no script; all text is escaped."""
    base = base_of(
        title=page.title,
        question=page.question,
        provenance=page.provenance,
        strip=page.strip,
        notes=page.notes,
        played=page.played,
        input_text=page.scenario_toml,
        input_name=page.input_name,
    )
    return template("study.html", filters={"signs": with_signs}).render(page=page, base=base)
