"""Frames of a camera that come late by whole frames."""

from typing import Annotated, Literal

import numpy as np
from pydantic import Field

from sim.events.chance import FramesParams, Strikes, camera_words
from sim.events.when import Happening, span_of
from sim.foundations.ports import EventSite, Faults, Lateness


class FramesLateParams(FramesParams):
    """Frames that come late by whole frames; until then the old correction stays.

    What comes is used as what it is, a reading of its own exposure; of several that come at once
    the newest counts, and one older than what was used before is thrown away. A lost spot is
    searched for as if the camera's newest frame were at hand.

    Valid up to 100 frames, beyond which there is no loop.
    """

    kind: Literal["frames_late"]
    late_frames: Annotated[int, Field(ge=1, le=100)]
    """By how many frames. [-]"""


class FramesLate(Happening):
    """A camera whose frames come late, all in a span or some at random."""

    Params = FramesLateParams

    def __init__(self, params: FramesLateParams, site: EventSite) -> None:
        """Draw which frames are late."""
        self._strikes = Strikes(params, span_of(params, site.clock), site)
        self.lateness = Lateness(frames=params.late_frames)
        share = "" if params.share_pct == 100.0 else f"{params.share_pct:g} % of "
        words = (
            f"{camera_words(params.camera)} delayed {share}frames by {params.late_frames}"
        )
        super().__init__(words, self._strikes.span, site, self._strikes.mirrors)

    def faults(self, frame: int) -> Faults:
        """Return whose frame is late, and by how much."""
        struck = self._strikes.struck(frame)
        if not struck.any():
            return Faults()
        return Faults(late_frames=np.where(struck, self.lateness.frames, 0))
