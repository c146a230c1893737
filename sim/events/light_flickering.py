"""Monitor light that flickers."""

import math
from typing import Annotated, Literal

from pydantic import Field

from sim.events.when import Happening, RunEventParams, needs_images, span_of
from sim.foundations.params import between
from sim.foundations.ports import EventSite, Faults


class LightFlickeringParams(RunEventParams):
    """Monitor light that goes up and down as a sine, as with a supply's ripple.

    It falls to 1 - `depth` of its power and comes back to it; each exposure has the mean over it.
    Valid for images, and for a shutter that opens for all rows together.
    """

    kind: Literal["light_flickering"]
    depth: Annotated[float, Field(gt=0, le=1)]
    """Part of the light that comes and goes. [-]"""
    frequency_hz: Annotated[float, between(1e-3, 1e7)]
    """Frequency. [Hz]"""


class LightFlickering(Happening):
    """Monitor light that flickers, from its full power at the start of the event."""

    Params = LightFlickeringParams

    def __init__(self, params: LightFlickeringParams, site: EventSite) -> None:
        """Check that images are made."""
        words = f"monitor light flickering by {100 * params.depth:g} %"
        super().__init__(words, span_of(params, site.clock), site, needs_images(site))
        self._depth = params.depth
        self._rate = 2.0 * math.pi * params.frequency_hz
        self._exposure_s = site.exposure_s

    def faults(self, frame: int) -> Faults:
        """Return the mean of 1 - depth (1 - cos) / 2 over the part of the exposure in the event."""
        start_s = frame * self.clock.frame_s
        low_s = max(start_s, self.span.from_s) - self.span.from_s
        high_s = min(start_s + self._exposure_s, self.span.to_s) - self.span.from_s
        if high_s <= low_s:
            return Faults()
        swing_s = (math.sin(self._rate * high_s) - math.sin(self._rate * low_s)) / self._rate
        lost_s = 0.5 * self._depth * (high_s - low_s - swing_s)
        return Faults(light=1.0 - lost_s / self._exposure_s)
