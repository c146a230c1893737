"""Pages of studies: a verdict, tables and pictures, in the one design of all pages."""

from collections.abc import Mapping, Sequence
from typing import Any, Final, NamedTuple

from sim.report.base import base_of, template
from sim.report.drawing import Picture
from sim.results.units import with_signs

LONG: Final = 20
"""Letters of a cell from which on words are read more easily from the left."""


class Table(NamedTuple):
    """Cells are text already; the first of each row names it."""

    caption: str
    head: Sequence[str]
    rows: Sequence[Sequence[str]]

    def holds_words(self, column: int) -> bool:
        """Whether a column holds words, to be read from the left, and no figures.

        So it is if one of its cells is long and most begin with a letter.
        """
        cells = [row[column] for row in self.rows if column < len(row) and row[column]]
        letters = sum(cell[0].isalpha() for cell in cells)
        return 2 * letters > len(cells) and max(map(len, cells)) > LONG


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
