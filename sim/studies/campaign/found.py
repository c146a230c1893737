"""Everything a campaign found, with its verdict."""

import datetime
from typing import Any, NamedTuple

from sim.foundations.files.text import counted
from sim.results.table import LIMITED
from sim.studies.campaign.plan import CampaignPlan


class Campaign(NamedTuple):
    """Everything a campaign found."""

    plan: CampaignPlan
    rows: list[dict[str, Any]]
    """A row for each case: what it is, verdict, figures, limits, margins."""
    started: datetime.datetime
    runs_s: float
    """Processor time of all runs. [s]"""

    @property
    def bad(self) -> list[dict[str, Any]]:
        """Cases that are not met."""
        return [row for row in self.rows if row["verdict"] != "met"]

    @property
    def verdict(self) -> str:
        """In one or two sentences."""
        good = len(self.rows) - len(self.bad)
        meet = "meets" if good == 1 else "meet"
        words = f"{good} of {counted(len(self.rows), 'case')} {meet} every limit"
        tight = [
            (limit["used"], row, limit)
            for row in self.rows for limit in row["limits"] if limit["used"] is not None
        ]  # fmt: skip
        if not tight:
            return f"{words}."
        used, row, limit = max(tight, key=lambda each: each[0])
        figure = LIMITED[limit["name"]]
        value = "no figure" if limit["value"] is None else f"{limit['value']:.4g}"
        unit = f" {figure.unit}" if figure.unit else ""
        where = f", {limit['where']}" if limit["where"] else ""
        return (
            f"{words}. Tightest is {figure.said}, {value} of {limit['limit']:g}{unit}, in "
            f"{row['name']}{where}.{self._margin}"
        )

    @property
    def _margin(self) -> str:
        """The smallest level margin, in a sentence; empty if none was found."""
        found = [
            (limit["factor"], row, limit)
            for row in self.rows for limit in row["limits"] if limit["factor"] is not None
        ]  # fmt: skip
        if not found:
            return ""
        factor, row, limit = min(found, key=lambda each: each[0])
        return (
            f" First to be missed at a higher level is {LIMITED[limit['name']].said}, at "
            f"{factor:.2g} times {row['name']}."
        )
