"""Window registers of a camera that take effect late."""

from typing import Annotated, Literal

import numpy as np
from pydantic import Field

from sim.events.chance import FramesParams, Strikes, camera_words
from sim.events.when import Happening, span_of
from sim.foundations.files.text import counted
from sim.foundations.ports import EventSite, Faults, Lateness


class WindowsLateParams(FramesParams):
    """Windows that are read where they were to be some frames ago.

    The registers of a camera often take effect with the next frame. A mirror on the move then
    leaves its window, and where the firmware does not know which window a frame is of, readings are
    off by the way that the window has made since.

    Valid up to 100 frames.
    """

    kind: Literal["windows_late"]
    late_frames: Annotated[int, Field(ge=1, le=100)] = 1
    """By how many frames. [-]"""
    noticed: bool = True
    """Whether frames say which window they are of, so that readings are put in the right place;
    else they are taken to be of the window that was asked for. [-]"""


class WindowsLate(Happening):
    """A camera whose windows follow late."""

    Params = WindowsLateParams

    def __init__(self, params: WindowsLateParams, site: EventSite) -> None:
        """Draw which frames have an old window."""
        self._strikes = Strikes(params, span_of(params, site.clock), site)
        self._noticed = params.noticed
        self.lateness = Lateness(windows=params.late_frames)
        late = counted(params.late_frames, "frame")
        words = f"windows of {camera_words(params.camera)} late by {late}"
        super().__init__(words, self._strikes.span, site, self._strikes.mirrors)

    def faults(self, frame: int) -> Faults:
        """Return whose window is an old one."""
        struck = self._strikes.struck(frame)
        if not struck.any():
            return Faults()
        late = np.where(struck, self.lateness.windows, 0)
        return Faults(late_windows=late, unnoticed=None if self._noticed else struck)
