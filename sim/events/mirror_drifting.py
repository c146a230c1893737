"""A mirror whose rest angle creeps away."""

from typing import Annotated, Literal

import numpy as np

from sim.events.on_mirrors import OnMirrors, OnMirrorsParams
from sim.foundations.params import between
from sim.foundations.ports import EventSite, Faults


class MirrorDriftingParams(OnMirrorsParams):
    """Mirrors whose rest angle creeps away steadily; where the event ends, it stays.

    Valid while the drive can follow: then the correction reaches its limit.
    """

    kind: Literal["mirror_drifting"]
    rate_urad_per_s: Annotated[float, between(-1e7, 1e7)]
    """How fast. [urad/s]"""


class MirrorDrifting(OnMirrors):
    """Mirrors that drift off."""

    Params = MirrorDriftingParams

    def __init__(self, params: MirrorDriftingParams, site: EventSite) -> None:
        super().__init__("drifting off", params, site)
        # What has crept stays until the end of the run.
        self.event = self.event._replace(to_s=site.clock.n_frames * site.clock.frame_s)
        self._rate = 1e-6 * params.rate_urad_per_s

    def faults(self, frame: int) -> Faults:
        """Return the rest angle."""
        at_s = self.clock.frame_s * np.array([frame, frame + 1])
        crept_s = np.clip(at_s, self.span.from_s, self.span.to_s) - self.span.from_s
        return Faults(rest_rad=self._rate * crept_s[:, None, None] * self.which)
