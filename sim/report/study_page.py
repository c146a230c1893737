"""Pages of studies: a verdict, tables and pictures, in the look of the run's page."""

from collections.abc import Sequence
from importlib.resources import files
from typing import NamedTuple

from jinja2 import Environment, StrictUndefined

from sim.report.drawing import Picture


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
    provenance: Sequence[tuple[str, str]]


def render_study(page: StudyPage) -> str:
    """Return one HTML page that loads nothing and runs no script; all text is escaped."""
    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    folder = files("sim.report")
    template = environment.from_string(folder.joinpath("study.html").read_text(encoding="utf-8"))
    return template.render(page=page, style=style_sheet())


def style_sheet() -> str:
    """The one style sheet of all pages."""
    return files("sim.report").joinpath("style.css").read_text(encoding="utf-8")
