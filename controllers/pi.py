"""Proportional and integral action on the filtered mismatch."""

from typing import Annotated, Literal

import numpy as np

from controllers.by_law import ByLaw
from controllers.rules import believed_rules
from controllers.sections import SectionParams, section_rows
from sim.foundations.params import Block, NonNegativeByAxis, PositiveByAxis, at_most
from sim.foundations.ports import Knob, PlantBelief
from sim.foundations.ports.linear_law import LawMatrices, LinearLaw


class PiParams(Block):
    """Gains per frame, as the firmware holds them.

    Valid up to 10: from 2 on, a frame's delay makes an integrator swing up, which a run says;
    beyond 10 it is a number of another unit.
    """

    kind: Literal["pi"] = "pi"
    """Name of this controller. [-]"""
    proportional: Annotated[NonNegativeByAxis, at_most(10.0)]
    """Correction per mismatch, at once; one for both axes or [x, y]. [-]"""
    integral_per_frame: Annotated[PositiveByAxis, at_most(10.0)]
    """Share of the mismatch that is added to the integral each frame, one for both axes or
    [x, y]. [-]"""
    sections: tuple[SectionParams, ...] = ()
    """Filter sections that the mismatch passes first, in this order. [-]"""


class Pi(ByLaw):
    """u[k] = P e[k] + I[k], I[k] = I[k-1] + K e[k], with conditional integration.

    A mirror follows its drive within a frame, so the integral does most of the work; the
    proportional part responds a little sooner and passes more measurement noise on. A lost mirror
    keeps its correction.

    Conditional integration alone lets an integral stay outside if the limits themselves close in
    (the feed-forward of a move uses up the travel), so the integral is clamped to them as well.

    References
    ----------
    .. [1] K. J. Astrom and T. Hagglund, Advanced PID Control, ISA, 2006, the sections on
       integrator windup (conditional integration, clamping). From memory.
    """

    Params = PiParams
    knobs = (Knob("integral_per_frame", 0.003, 1.0), Knob("proportional", 0.0, 0.6))

    def __init__(self, params: PiParams, plant: PlantBelief) -> None:
        self.params = params
        self.plant = plant
        super().__init__(_law(params, plant))

    @staticmethod
    def rules(plant: PlantBelief) -> dict[str, dict[str, float]]:
        """Return the gains of each rule."""
        return {
            name: {
                "proportional": gains.proportional,
                "integral_per_frame": gains.integral_per_frame,
            }
            for name, gains in believed_rules(plant).items()
        }


def _law(params: PiParams, plant: PlantBelief) -> LinearLaw:
    """One state, the integral."""
    integral = np.reshape(params.integral_per_frame, (1, -1, 1))
    return LinearLaw.of(
        LawMatrices.of(1, A=1.0, B=integral, C=1.0, D=params.proportional),
        LawMatrices.of(1, A=1.0, H=1.0),
        sections=section_rows(params.sections, plant.frame_s),
        conditional=[True],
        standing=1.0,
    )
