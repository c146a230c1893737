"""The margins of a population against what is required of every loop."""

from collections.abc import Mapping
from typing import Any, NamedTuple

from sim.foundations.files.text import counted
from sim.results.requirements import RequirementsParams
from sim.results.units import number


class Required(NamedTuple):
    """One requirement, and the loop that is nearest to it or furthest beyond."""

    words: str
    required: float
    unit: str
    at_most: bool
    value: float | None
    """Of the worst loop; None if no loop has such a figure: nothing crosses there."""
    where: str
    met: bool

    @property
    def text(self) -> str:
        """In a sentence's part."""
        sign = "at most" if self.at_most else "at least"
        asked = f"{sign} {self.required:g} {self.unit}".rstrip()
        if self.value is None:
            return f"{self.words}: no loop has one ({asked})"
        return f"{self.words} {number(self.value, self.unit, 4)}, {asked}, in {self.where}"


def against_worst(requirements: RequirementsParams, worst: Mapping[str, Any]) -> list[Required]:
    """Return each requirement with the worst loop of the population.

    Parameters
    ----------
    requirements : RequirementsParams
        Of the scenario.
    worst : mapping
        From `sim.studies.margins.margins.worst_figures`; a margin that no loop has counts as met.
    """
    found = []
    for key, words, unit, required, at_most in (
        ("ms", "Ms", "", requirements.max_sensitivity, True),
        ("gain_margin_db", "gain margin", "dB", requirements.gain_margin_db, False),
        ("phase_margin_deg", "phase margin", "deg", requirements.phase_margin_deg, False),
    ):
        row = worst[key]
        value = None if row is None else float(row["value"])
        met = value is None or (value <= required if at_most else value >= required)
        where = "" if row is None else f"{row['name']}, axis {row['axis']}"
        found.append(Required(words, required, unit, at_most, value, where, met))
    return found


def verdict_words(found: list[Required], unstable: int) -> str:
    """Return the verdict of a population; `unstable` is the number of mirrors that are not."""
    if unstable:
        return f"Missed: {counted(unstable, 'mirror')} unstable."
    missed = [row for row in found if not row.met]
    if missed:
        return f"Missed {len(missed)} of {len(found)}: {'; '.join(row.text for row in missed)}."
    return f"Met: {'; '.join(row.text for row in found)}."
