"""A mirror that no longer moves."""

from typing import Literal

import numpy as np

from sim.events.on_mirrors import OnMirrorsParams, WhileItLasts
from sim.events.when import Flags
from sim.foundations.ports import EventSite, Faults


class MirrorStuckParams(OnMirrorsParams):
    """Mirrors that stay where they are, whatever pulls at them.

    Valid for stiction that holds against the whole drive; it lets go at once when the event ends.
    """

    kind: Literal["mirror_stuck"]


class MirrorStuck(WhileItLasts):
    """Mirrors that stick."""

    Params = MirrorStuckParams
    takes_over = True

    def __init__(self, params: MirrorStuckParams, site: EventSite) -> None:
        super().__init__("stuck", params, site)

    def in_ticks(self, frame: int, ticks: Flags) -> Faults:
        """Return which axes stick."""
        return Faults(stuck=np.logical_and(ticks[:, None, None], self.which))
