"""Frames of a camera that never come."""

from typing import Literal

from sim.events.chance import FramesParams, Strikes, camera_words
from sim.events.when import Happening, span_of
from sim.foundations.ports import EventSite, Faults


class FramesDroppedParams(FramesParams):
    """Frames that never come: no reading, and the correction is held.

    Valid for frames that are missed as such: the loop does not take the old reading once more.
    A controller that predicts follows its own rule for a lost spot.
    """

    kind: Literal["frames_dropped"]


class FramesDropped(Happening):
    """A camera that drops frames, all in a span or some at random."""

    Params = FramesDroppedParams

    def __init__(self, params: FramesDroppedParams, site: EventSite) -> None:
        """Draw which frames are dropped."""
        self._strikes = Strikes(params, span_of(params, site.clock), site)
        share = "" if params.share_pct == 100.0 else f"{params.share_pct:g} % of "
        words = f"{camera_words(params.camera)} dropped {share}frames"
        super().__init__(words, self._strikes.span, site, self._strikes.mirrors)

    def faults(self, frame: int) -> Faults:
        """Return whose frame is dropped."""
        struck = self._strikes.struck(frame)
        return Faults(dropped=struck) if struck.any() else Faults()
