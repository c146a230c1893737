"""One gain, one sum: u[k] = u[k-1] + K e[k]."""

from typing import Literal, NamedTuple

import numpy as np

from controllers.anti_windup import within
from controllers.mismatch import mismatch
from controllers.rules import pure_delay_rules
from controllers.sections import SectionParams, Sections
from sim.params import Block, Positive
from sim.ports import Array, Knob, Law, LawState, PlantBelief, Setpoint, TiltReading


class IntegratorParams(Block):
    """An integrator on the filtered mismatch."""

    kind: Literal["integrator"] = "integrator"
    """Name of this controller. [-]"""
    gain: Positive
    """Share of the mismatch that is added to the correction each frame. [-]"""
    sections: tuple[SectionParams, ...] = ()
    """Filter sections that the mismatch passes first, in this order. [-]"""


class IntegratorState(NamedTuple):
    """What the integrator remembers."""

    correction_rad: Array
    """(M, 2) the last correction, which is the integral too. [rad]"""
    filters_rad: Array
    """(M, 2, n_sections, 2) memory of the filter sections. [rad]"""


class Integrator:
    """u[k] = u[k-1] + K e[k], clamped at the limits, so that it cannot wind up.

    If the answer is seen d frames later and the mirror follows at once, the loop is stable for
    0 < K < 2 sin(pi / (2 (2 d - 1))): 2 for d = 1, 1 for d = 2, 0.618 for d = 3 (derived from
    z^d - z^(d-1) + K = 0; the tests check it). Filter sections and the resonance change it.
    """

    Params = IntegratorParams
    knobs = (Knob("gain", 0.003, 1.0),)

    def __init__(self, params: IntegratorParams, plant: PlantBelief) -> None:
        self.params = params
        self.plant = plant
        self.sections = Sections(params.sections, plant.frame_s)

    @staticmethod
    def rules(plant: PlantBelief) -> dict[str, dict[str, float]]:
        """Return the gain of each rule for a pure integral."""
        found = pure_delay_rules(plant)
        return {
            name: {"gain": gains.integral_per_frame}
            for name, gains in found.items()
            if gains.proportional == 0.0
        }

    def initial_state(self, n_mirrors: int) -> IntegratorState:
        """Return the state before the first frame."""
        return self.hand_over(np.zeros((n_mirrors, 2)))

    def hand_over(self, correction_rad: Array) -> IntegratorState:
        """Return the state that takes over from a standing correction (M, 2) [rad]."""
        correction_rad = np.array(correction_rad, dtype=float)
        return IntegratorState(correction_rad, self.sections.initial_state(len(correction_rad)))

    def step(
        self, state: IntegratorState, reading: TiltReading, setpoint: Setpoint
    ) -> tuple[IntegratorState, Array]:
        """Return (next state, correction (M, 2) [rad]); a lost mirror keeps its correction."""
        error_rad, seen = mismatch(reading, setpoint)
        filters_rad, filtered_rad = self.sections.step(state.filters_rad, error_rad, seen)
        wanted_rad = state.correction_rad + np.where(seen, self.params.gain * filtered_rad, 0.0)
        correction_rad = within(wanted_rad, setpoint)
        return IntegratorState(correction_rad, filters_rad), correction_rad

    def in_numbers(self, state: IntegratorState) -> tuple[Law, LawState]:
        """Return the law, and a copy of the state for it."""
        law = Law(0.0, self.params.gain, True, self.sections.coefficients)
        correction_rad, filters_rad = state
        return law, LawState.of(correction_rad, correction_rad, filters_rad)

    def from_numbers(self, memory: LawState) -> IntegratorState:
        """Return the state that `in_numbers` makes this memory of."""
        _, correction_rad, filters_rad = memory.apart()
        return IntegratorState(correction_rad, filters_rad)
