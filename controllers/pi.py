"""Proportional and integral action on the filtered mismatch."""

from typing import Literal, NamedTuple

import numpy as np

from controllers.anti_windup import conditional_integral, within
from controllers.mismatch import mismatch
from controllers.rules import pure_delay_rules
from controllers.sections import SectionParams, Sections
from sim.params import Block, NonNegative, Positive
from sim.ports import Array, Knob, Law, LawState, PlantBelief, Setpoint, TiltReading


class PiParams(Block):
    """Gains per frame, as the firmware holds them."""

    kind: Literal["pi"] = "pi"
    """Name of this controller. [-]"""
    proportional: NonNegative
    """Correction per mismatch, at once. [-]"""
    integral_per_frame: Positive
    """Share of the mismatch that is added to the integral each frame. [-]"""
    sections: tuple[SectionParams, ...] = ()
    """Filter sections that the mismatch passes first, in this order. [-]"""


class PiState(NamedTuple):
    """What the controller remembers."""

    integral_rad: Array
    """(M, 2) [rad]"""
    correction_rad: Array
    """(M, 2) the last correction, held while the spot is lost. [rad]"""
    filters_rad: Array
    """(M, 2, n_sections, 2) memory of the filter sections. [rad]"""


class Pi:
    """u[k] = P e[k] + I[k], I[k] = I[k-1] + K e[k], with conditional integration.

    A mirror follows its drive within a frame, so the integral does most of the work; the
    proportional part answers a little sooner and passes more measurement noise on.
    """

    Params = PiParams
    knobs = (Knob("integral_per_frame", 0.003, 1.0), Knob("proportional", 0.0, 0.6))

    def __init__(self, params: PiParams, plant: PlantBelief) -> None:
        self.params = params
        self.plant = plant
        self.sections = Sections(params.sections, plant.frame_s)

    @staticmethod
    def rules(plant: PlantBelief) -> dict[str, dict[str, float]]:
        """Return the gains of each rule."""
        return {
            name: {
                "proportional": gains.proportional,
                "integral_per_frame": gains.integral_per_frame,
            }
            for name, gains in pure_delay_rules(plant).items()
        }

    def initial_state(self, n_mirrors: int) -> PiState:
        """Return the state before the first frame."""
        return self.hand_over(np.zeros((n_mirrors, 2)))

    def hand_over(self, correction_rad: Array) -> PiState:
        """Return the state that takes over from a standing correction (M, 2) [rad]."""
        correction_rad = np.array(correction_rad, dtype=float)
        filters_rad = self.sections.initial_state(len(correction_rad))
        return PiState(correction_rad, correction_rad, filters_rad)

    def step(
        self, state: PiState, reading: TiltReading, setpoint: Setpoint
    ) -> tuple[PiState, Array]:
        """Return (next state, correction (M, 2) [rad]); a lost mirror keeps its correction."""
        error_rad, seen = mismatch(reading, setpoint)
        filters_rad, filtered_rad = self.sections.step(state.filters_rad, error_rad, seen)
        integral_rad = state.integral_rad + self.params.integral_per_frame * filtered_rad
        wanted_rad = self.params.proportional * filtered_rad + integral_rad
        correction_rad = within(np.where(seen, wanted_rad, state.correction_rad), setpoint)
        kept_rad = conditional_integral(
            state.integral_rad, integral_rad, wanted_rad, correction_rad, setpoint
        )
        integral_rad = np.where(seen, kept_rad, state.integral_rad)
        return PiState(integral_rad, correction_rad, filters_rad), correction_rad

    def in_numbers(self, state: PiState) -> tuple[Law, LawState]:
        """Return the law, and a copy of the state for it."""
        law = Law(
            self.params.proportional,
            self.params.integral_per_frame,
            False,
            self.sections.coefficients,
        )
        return law, LawState.of(*state)

    def from_numbers(self, memory: LawState) -> PiState:
        """Return the state that `in_numbers` makes this memory of."""
        return PiState(*memory.apart())
