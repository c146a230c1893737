"""One gain, one sum: u[k] = u[k-1] + K e[k]."""

from typing import Annotated, Literal

from controllers.by_law import ByLaw
from controllers.rules import believed_rules
from controllers.sections import SectionParams, section_rows
from sim.foundations.params import Block, PositiveByAxis, at_most
from sim.foundations.ports import Knob, PlantBelief
from sim.foundations.ports.linear_law import LawMatrices, LinearLaw


class IntegratorParams(Block):
    """An integrator on the filtered mismatch.

    Valid up to 10: from 2 on, a frame's delay makes an integrator swing up, which a run says;
    beyond 10 it is a number of another unit.
    """

    kind: Literal["integrator"] = "integrator"
    """Name of this controller. [-]"""
    integral_per_frame: Annotated[PositiveByAxis, at_most(10.0)]
    """Share of the mismatch that is added to the correction each frame, one for both axes or
    [x, y]. [-]"""
    sections: tuple[SectionParams, ...] = ()
    """Filter sections that the mismatch passes first, in this order. [-]"""


class Integrator(ByLaw):
    """u[k] = u[k-1] + K e[k], clamped at the limits, so that it cannot wind up.

    If a correction is seen d frames later and the mirror follows at once, the loop is stable for
    0 < K < 2 sin(pi / (2 (2 d - 1))): 2 for d = 1, 1 for d = 2, 0.618 for d = 3 (derived from
    z^d - z^(d-1) + K = 0; the tests check it). Filter sections and the resonance change it. A lost
    mirror keeps its correction.
    """

    Params = IntegratorParams
    knobs = (Knob("integral_per_frame", 0.003, 1.0),)

    def __init__(self, params: IntegratorParams, plant: PlantBelief) -> None:
        self.params = params
        self.plant = plant
        super().__init__(_law(params, plant))

    @staticmethod
    def rules(plant: PlantBelief) -> dict[str, dict[str, float]]:
        """Return the gain of each rule for a pure integral."""
        found = believed_rules(plant)
        return {
            name: {"integral_per_frame": gains.integral_per_frame}
            for name, gains in found.items()
            if gains.proportional == 0.0
        }


def _law(params: IntegratorParams, plant: PlantBelief) -> LinearLaw:
    """No state but the correction itself, as the limits granted it."""
    return LinearLaw.of(
        LawMatrices.of(0, D=params.integral_per_frame, H=1.0),
        LawMatrices.of(0, H=1.0),
        sections=section_rows(params.sections, plant.frame_s),
    )
