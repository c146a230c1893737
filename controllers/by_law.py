"""A controller whose every step follows from the law that it states."""

import numpy as np

from controllers.mismatch import mismatch
from sim.foundations.ports import Array, Setpoint, TiltReading
from sim.foundations.ports.linear_law import LawState, LinearLaw, hand_over, law_step


class ByLaw:
    """Base of the shipped controllers: they state a law, and this runs it.

    `sim.foundations.ports.linear_law.LinearLaw` says what a law is. The compiled loop and the
    linear analysis take it from the same place.
    """

    def __init__(self, law: LinearLaw) -> None:
        self._law = law

    def linear_law(self) -> LinearLaw:
        """Return the law, in numbers."""
        return self._law

    def initial_state(self, n_mirrors: int) -> LawState:
        """Return the state before the first frame."""
        return self.hand_over(np.zeros((n_mirrors, 2)))

    def hand_over(self, correction_rad: Array) -> LawState:
        """Return the state that takes over from a standing correction (M, 2) [rad]."""
        return hand_over(self._law, correction_rad)

    def step(
        self, state: LawState, reading: TiltReading, setpoint: Setpoint
    ) -> tuple[LawState, Array]:
        """Return (next state, correction (M, 2) [rad])."""
        error_rad, seen = mismatch(reading, setpoint)
        after = law_step(
            self._law, state, error_rad, seen, setpoint.lowest_rad, setpoint.highest_rad
        )
        return after, after.correction_rad
