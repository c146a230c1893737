"""Proportional, integral and filtered derivative action on the filtered mismatch."""

from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from controllers.anti_windup import conditional_integral, within
from controllers.mismatch import mismatch
from controllers.rules import pure_delay_rules
from controllers.sections import SectionParams, Sections
from sim.params import Block, NonNegative, Positive
from sim.ports import Array, Knob, PlantBelief, Setpoint, TiltReading


class PidParams(Block):
    """Gains per frame, as the firmware holds them (parallel form)."""

    kind: Literal["pid"] = "pid"
    """Name of this controller. [-]"""
    proportional: NonNegative
    """Correction per mismatch, at once. [-]"""
    integral_per_frame: Positive
    """Share of the mismatch that is added to the integral each frame. [-]"""
    derivative_frames: NonNegative
    """Correction per change of the mismatch from one frame to the next. [frames]"""
    derivative_filter_frames: NonNegative
    """Time constant of the low-pass on the derivative. [frames]"""
    sections: tuple[SectionParams, ...] = ()
    """Filter sections that the mismatch passes first, in this order. [-]"""


class PidState(NamedTuple):
    """What the controller remembers."""

    integral_rad: Array
    """(M, 2) [rad]"""
    derivative_rad: Array
    """(M, 2) the filtered derivative's share of the correction. [rad]"""
    previous_rad: Array
    """(M, 2) the filtered mismatch of the frame before. [rad]"""
    previous_seen: NDArray[np.bool_]
    """(M, 2) whether the frame before gave a mismatch at all. [-]"""
    correction_rad: Array
    """(M, 2) the last correction, held while the spot is lost. [rad]"""
    filters_rad: Array
    """(M, 2, n_sections, 2) memory of the filter sections. [rad]"""


class Pid:
    """u = P e + I + D with I as in the PI and D[k] = a D[k-1] + (1 - a) Kd (e[k] - e[k-1]).

    a = Tf / (Tf + 1) for a filter time constant of Tf frames (backward difference). The frame
    after a lost one (and the very first) adds nothing to the derivative: a difference across a gap
    is not a rate.

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
        self.sections = Sections(params.sections, plant.frame_s)
        self.decay = params.derivative_filter_frames / (params.derivative_filter_frames + 1.0)

    @staticmethod
    def rules(plant: PlantBelief) -> dict[str, dict[str, float]]:
        """Return the gains of each rule; none of them has a derivative part."""
        return {
            name: {
                "proportional": gains.proportional,
                "integral_per_frame": gains.integral_per_frame,
                "derivative_frames": 0.0,
            }
            for name, gains in pure_delay_rules(plant).items()
        }

    def initial_state(self, n_mirrors: int) -> PidState:
        """Return the state before the first frame."""
        return self.hand_over(np.zeros((n_mirrors, 2)))

    def hand_over(self, correction_rad: Array) -> PidState:
        """Return the state that takes over from a standing correction (M, 2) [rad]."""
        correction_rad = np.array(correction_rad, dtype=float)
        zeros = np.zeros_like(correction_rad)
        filters_rad = self.sections.initial_state(len(correction_rad))
        return PidState(
            correction_rad, zeros, zeros, zeros.astype(bool), correction_rad, filters_rad
        )

    def step(
        self, state: PidState, reading: TiltReading, setpoint: Setpoint
    ) -> tuple[PidState, Array]:
        """Return (next state, correction (M, 2) [rad]); a lost mirror keeps its correction."""
        p = self.params
        error_rad, seen = mismatch(reading, setpoint)
        filters_rad, filtered_rad = self.sections.step(state.filters_rad, error_rad, seen)
        integral_rad = state.integral_rad + p.integral_per_frame * filtered_rad
        change_rad = np.where(state.previous_seen, filtered_rad - state.previous_rad, 0.0)
        derivative_rad = (
            self.decay * state.derivative_rad
            + ((1.0 - self.decay) * p.derivative_frames) * change_rad
        )
        wanted_rad = p.proportional * filtered_rad + integral_rad + derivative_rad
        correction_rad = within(np.where(seen, wanted_rad, state.correction_rad), setpoint)
        kept_rad = conditional_integral(
            state.integral_rad, integral_rad, wanted_rad, correction_rad, setpoint
        )
        next_state = PidState(
            integral_rad=np.where(seen, kept_rad, state.integral_rad),
            derivative_rad=np.where(seen, derivative_rad, state.derivative_rad),
            previous_rad=filtered_rad,
            previous_seen=seen,
            correction_rad=correction_rad,
            filters_rad=filters_rad,
        )
        return next_state, correction_rad
