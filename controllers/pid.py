"""Proportional, integral and filtered derivative action on the filtered mismatch."""

from typing import Annotated, Literal

import numpy as np

from controllers.by_law import ByLaw
from controllers.rules import believed_rules
from controllers.sections import SectionParams, section_rows
from sim.foundations.params import Block, NonNegativeByAxis, PositiveByAxis, at_most, between
from sim.foundations.ports import Knob, PlantBelief
from sim.foundations.ports.linear_law import LawMatrices, LinearLaw


class PidParams(Block):
    """Gains per frame, as the firmware holds them (parallel form).

    Valid up to 10: from 2 on, a frame's delay makes an integrator swing up, which a run says;
    beyond 10 it is a number of another unit. Derivatives are over 1000 frames at most.
    """

    kind: Literal["pid"] = "pid"
    """Name of this controller. [-]"""
    proportional: Annotated[NonNegativeByAxis, at_most(10.0)]
    """Correction per mismatch, at once; one for both axes or [x, y]. [-]"""
    integral_per_frame: Annotated[PositiveByAxis, at_most(10.0)]
    """Share of the mismatch that is added to the integral each frame, one for both axes or
    [x, y]. [-]"""
    derivative_frames: Annotated[NonNegativeByAxis, at_most(1e3)]
    """Correction per change of the mismatch from one frame to the next, one for both axes or
    [x, y]. [frames]"""
    derivative_filter_frames: Annotated[float, between(0.0, 1e3)]
    """Time constant of the low-pass on the derivative. [frames]"""
    sections: tuple[SectionParams, ...] = ()
    """Filter sections that the mismatch passes first, in this order. [-]"""


class Pid(ByLaw):
    """u = P e + I + D with I as in the PI and D[k] = a D[k-1] + (1 - a) Kd (e[k] - e[k-1]).

    a = Tf / (Tf + 1) for a filter time constant of Tf frames (backward difference). The frame
    after a lost one (and the very first) adds nothing to the derivative: a difference across a gap
    is not a rate. A lost mirror keeps its correction.

    References
    ----------
    .. [1] K. J. Astrom and B. Wittenmark, Computer-Controlled Systems, 3rd ed., 1997, the chapter
       on PID control: derivative by backward difference. From memory.
    """

    Params = PidParams
    knobs = (
        Knob("integral_per_frame", 0.003, 1.0),
        Knob("proportional", 0.0, 0.6),
        Knob("derivative_frames", 0.0, 0.6),
    )

    def __init__(self, params: PidParams, plant: PlantBelief) -> None:
        self.params = params
        self.plant = plant
        super().__init__(_law(params, plant))

    @staticmethod
    def rules(plant: PlantBelief) -> dict[str, dict[str, float]]:
        """Return the gains of each rule; none of them has a derivative part."""
        return {
            name: {
                "proportional": gains.proportional,
                "integral_per_frame": gains.integral_per_frame,
                "derivative_frames": 0.0,
            }
            for name, gains in believed_rules(plant).items()
        }


def _law(params: PidParams, plant: PlantBelief) -> LinearLaw:
    """Three states: the last mismatch, the integral, the filtered derivative."""
    decay = params.derivative_filter_frames / (params.derivative_filter_frames + 1.0)
    integral, slope = np.broadcast_arrays(
        np.reshape(params.integral_per_frame, (1, -1)),
        (1.0 - decay) * np.reshape(params.derivative_frames, (1, -1)),
    )
    A = np.zeros((*slope.shape, 3, 3))
    A[..., 1, 1], A[..., 2, 0], A[..., 2, 2] = 1.0, -slope, decay
    B = np.stack([np.ones_like(slope), integral, slope], axis=-1)
    return LinearLaw.of(
        LawMatrices.of(3, A=A, B=B, C=np.array([0.0, 1.0, 1.0]), D=params.proportional),
        LawMatrices.of(3, A=np.diag([0.0, 1.0, 1.0]), H=1.0),
        sections=section_rows(params.sections, plant.frame_s),
        conditional=[False, True, False],
        previous=[True, False, False],
        standing=np.array([0.0, 1.0, 0.0]),
    )
