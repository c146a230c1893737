"""A mirror whose drive moves it less than it should, or more."""

from typing import Annotated, Literal

import numpy as np

from sim.events.on_mirrors import OnMirrorsParams, WhileItLasts
from sim.events.when import Flags, tick_times_s
from sim.foundations.params import NonNegative, between
from sim.foundations.ports import EventSite, Faults


class MirrorWeakParams(OnMirrorsParams):
    """Drives whose tilt per volt is not what it was.

    Valid from none at all to ten times the gain, above which a loop is unstable anyhow.
    """

    kind: Literal["mirror_weak"]
    gain: Annotated[float, between(0.0, 10.0)]
    """What is left of the tilt per volt, as a factor; above 1 it grows. [-]"""
    over_ms: NonNegative = 0.0
    """How long it takes to get there, in a straight line; 0: at once. [ms]"""


class MirrorWeak(WhileItLasts):
    """Drives that lose gain."""

    Params = MirrorWeakParams

    def __init__(self, params: MirrorWeakParams, site: EventSite) -> None:
        super().__init__(f"at {params.gain:g} of the gain", params, site)
        self._change, self._over_s = params.gain - 1.0, 1e-3 * params.over_ms

    def in_ticks(self, frame: int, ticks: Flags) -> Faults:
        """Return the factor on the gain."""
        since_s = tick_times_s(self.clock, frame) - self.span.from_s
        done = np.minimum(since_s / self._over_s, 1.0) if self._over_s else np.ones(len(ticks))
        change = np.where(ticks, self._change * done, 0.0)
        return Faults(gain=1.0 + change[:, None, None] * self.which)
