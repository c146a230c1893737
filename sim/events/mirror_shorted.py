"""A mirror that a short circuit pulls against its stop."""

from typing import Annotated, Literal

import numpy as np

from sim.events.on_mirrors import OnMirrorsParams, WhileItLasts
from sim.events.when import Flags
from sim.foundations.params import between
from sim.foundations.ports import EventSite, Faults


class MirrorShortedParams(OnMirrorsParams):
    """Channels that a short circuit holds at their last code: the mirror goes to its stop.

    The voltage gets there through amplifier and slew limit, and the mirror by its own motion; the
    stop takes its speed. How hard a shorted comb pulls depends on its wiring: it is a setting.
    Valid for a stop that stays where it is.
    """

    kind: Literal["mirror_shorted"]
    way: Literal["+", "-"] = "+"
    """To which stop. [-]"""
    pull: Annotated[float, between(1.0, 10.0)] = 1.2
    """Static tilt that the short would hold without a stop, in travels: invented. [-]"""


class MirrorShorted(WhileItLasts):
    """Channels that are shorted."""

    Params = MirrorShortedParams
    takes_over = True

    def __init__(self, params: MirrorShortedParams, site: EventSite) -> None:
        super().__init__("shorted to the stop", params, site)
        sign = 1.0 if params.way == "+" else -1.0
        pull_rad = sign * params.pull * np.array(site.stop_rad)[:, None]
        self._pull = np.where(self.which, pull_rad, np.nan)

    def in_ticks(self, frame: int, ticks: Flags) -> Faults:
        """Return what the channels pull to."""
        return Faults(pull_rad=np.where(ticks[:, None, None], self._pull, np.nan))
