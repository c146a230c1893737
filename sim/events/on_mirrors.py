"""What events that strike single mirrors share: which mirrors, which axis, in which ticks."""

from abc import abstractmethod
from typing import Annotated, Literal

import numpy as np
from pydantic import Field

from sim.events.groups import mirror_numbers
from sim.events.when import Flags, Happening, RunEventParams, span_of
from sim.foundations.errors import ScenarioError
from sim.foundations.ports import EventSite, Faults


class OnMirrorsParams(RunEventParams):
    """Which mirrors, and which of their axes."""

    mirrors: Annotated[tuple[str, ...], Field(min_length=1, max_length=2048)]
    """Which, as ["A03", "B10-B12"]. [-]"""
    axis: Literal["x", "y", "both"] = "both"
    """The axis concerned. [-]"""


class OnMirrors(Happening):
    """Base of the events of some mirrors."""

    def __init__(self, what: str, params: OnMirrorsParams, site: EventSite) -> None:
        """Find the mirrors.

        Raises
        ------
        ScenarioError
            If one does not exist, or carries no light in the run.
        """
        mirrors = mirrors_named(params.mirrors, site)
        shown = ", ".join(params.mirrors[:3])
        if len(params.mirrors) > 3:
            shown += f" and {len(params.mirrors) - 3} more"
        super().__init__(f"{shown} {what}", span_of(params, site.clock), site, mirrors)
        self.which: Flags = np.array([params.axis != "y", params.axis != "x"])[:, None] & mirrors
        """(2, M) axes and mirrors that are struck."""


class WhileItLasts(OnMirrors):
    """Base of those that do nothing outside their span; `in_ticks` says what they do within."""

    def faults(self, frame: int) -> Faults:
        """Return what happens in a frame."""
        ticks = self.span.ticks(self.clock, frame)
        return self.in_ticks(frame, ticks) if ticks.any() else Faults()

    @abstractmethod
    def in_ticks(self, frame: int, ticks: Flags) -> Faults:
        """Return what happens in a frame of which some ticks (N,) are in the event's span."""


def mirrors_named(names: tuple[str, ...], site: EventSite) -> Flags:
    """Return the simulated mirrors (M,) that an event names.

    Raises
    ------
    ScenarioError
        If one does not exist, or carries no light in the run.
    """
    numbers = mirror_numbers(names, site.ports, site.outputs, "mirrors")
    missing = np.setdiff1d(numbers, site.mirror_ids)
    if missing.size:
        number = int(missing[0])
        side = f"A{number:02d}" if number < site.ports else f"B{number - site.ports:02d}"
        raise ScenarioError(f"mirrors: {side} carries no light in this run, so it is not simulated")
    return np.isin(site.mirror_ids, numbers)
