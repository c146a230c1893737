"""Monitor light that becomes dimmer."""

from typing import Annotated, Literal

from pydantic import Field

from sim.events.when import Happening, RunEventParams, needs_images, span_of
from sim.foundations.ports import EventSite, Faults


class LightDimmedParams(RunEventParams):
    """Monitor light that loses some of its power, or all.

    One source lights every mirror. Data light is another one and stays. Valid for images: what is
    drawn from a table holds for the light that the table was made with.
    """

    kind: Literal["light_dimmed"]
    light: Annotated[float, Field(ge=0, le=10)]
    """What is left, as a factor; above 1 it becomes brighter. [-]"""


class LightDimmed(Happening):
    """Monitor light that is dimmed."""

    Params = LightDimmedParams

    def __init__(self, params: LightDimmedParams, site: EventSite) -> None:
        """Check that images are made."""
        everyone = needs_images(site)
        words = f"monitor light at {100 * params.light:g} %"
        super().__init__(words, span_of(params, site.clock), site, everyone)
        self._light, self._exposure_s = params.light, site.exposure_s

    def faults(self, frame: int) -> Faults:
        """Return the factor on the light, mean over the exposure."""
        start_s = frame * self.clock.frame_s
        end_s = start_s + self._exposure_s
        dimmed_s = min(end_s, self.span.to_s) - max(start_s, self.span.from_s)
        if dimmed_s <= 0:
            return Faults()
        return Faults(light=1.0 + (self._light - 1.0) * dimmed_s / self._exposure_s)
