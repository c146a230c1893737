"""A controller that runs its law in whole numbers, as the firmware does."""

from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.firmware.fixed_law import FixedLaw, FixedState, fixed_hand_over, fixed_step
from sim.firmware.law_ranges import ranges_of
from sim.firmware.law_words import fixed_law, rounded_law
from sim.firmware.leak import left_by_leak
from sim.firmware.q_format import QFormat
from sim.firmware.rounding import Whole
from sim.firmware.rounding_noise import rounding_bound_px, rounding_density
from sim.firmware.settings import ControllerArithmetic
from sim.firmware.state_bounds import largest_inputs, state_bounds
from sim.foundations.ports import Array, Setpoint, SpotStatus, TiltReading
from sim.foundations.ports.linear_law import LinearLaw

WIDENED: Final = 3
"""Times that words are made longer because a proven bound does not fit them."""


class FixedInput(NamedTuple):
    """What a frame brings to a law, in words."""

    position: Whole
    """(M, 2) measured; 0 where lost."""
    seen: NDArray[np.bool_]
    """(M, 2) False where lost."""
    reference: Whole
    """(M, 2)"""
    lowest: Whole
    """(M, 2) limits of the correction, in its words."""
    highest: Whole
    """(M, 2)"""


class FixedController:
    """A control law in whole numbers; positions and corrections are words of camera pixels.

    Bit-true: what it computes between the position that comes in and the correction that goes out
    is whole-number arithmetic, the same on every machine. Positions, references and limits are
    rounded to words where they come in (positions and references to the nearest, limits inwards).
    """

    def __init__(
        self, law: LinearLaw, arithmetic: ControllerArithmetic, *, kind: str,
        scale_px_per_rad: float, position_px: float, correction_px: float,
        rounds_positions: bool = True,
    ) -> None:  # fmt: skip
        """Put a law into words.

        Parameters
        ----------
        law : LinearLaw
            What is done.
        arithmetic : ControllerArithmetic
            Word lengths and rounding.
        kind : str
            Name of the controller, for messages.
        scale_px_per_rad : float
            Of the camera. [px/rad]
        position_px, correction_px : float
            Largest position of a spot, and largest correction, either way. [px]
        rounds_positions : bool
            Whether positions come in finer than words: not from an estimator in whole numbers.

        Raises
        ------
        ValueError
            If the words cannot hold the law.
        """
        self.kind = kind
        self.arithmetic = arithmetic
        self.rounds_positions = rounds_positions
        self.exact = law
        self.ranges = ranges_of(law, position_px=position_px, correction_px=correction_px)
        self.law: FixedLaw = fixed_law(law, arithmetic, self.ranges)
        self._bound()
        for _ in range(WIDENED):
            wider = self._wider()
            if wider == self.ranges.states:
                break
            self.ranges = self.ranges._replace(states=wider)
            self.law = fixed_law(law, arithmetic, self.ranges)
            self._bound()
        self.scale_px_per_rad = scale_px_per_rad

    def _bound(self) -> None:
        """Work out what comes in at the most, and how far that can take each state."""
        self.largest = largest_inputs(
            self.law, mismatch_px=2.0 * self.ranges.position, correction_px=self.ranges.correction
        )
        self.bounds = state_bounds(self.law, self.largest)

    def _wider(self) -> tuple[float, ...]:
        """Return ranges in which each state's proven bound fits its word."""
        found = []
        for size, form, bound in zip(
            self.ranges.states, self.law.formats.states, self.bounds.any_order, strict=True
        ):
            short = np.isfinite(bound) and bound > form.highest
            found.append(max(size, bound * form.step) if short else size)
        return tuple(found)

    def initial_state(self, n_mirrors: int) -> FixedState:
        """Return the state before the first frame."""
        return fixed_hand_over(self.law, np.zeros((n_mirrors, 2), np.int64))

    def hand_over(self, correction_rad: Array) -> FixedState:
        """Return the state that takes over from a standing correction (M, 2) [rad]."""
        words = self.law.formats.correction.nearest(correction_rad * self.scale_px_per_rad)
        return fixed_hand_over(self.law, words)

    def step(
        self, state: FixedState, reading: TiltReading, setpoint: Setpoint
    ) -> tuple[FixedState, Array]:
        """Return (next state, correction (M, 2) [rad])."""
        after = self.step_words(state, self.inputs(reading, setpoint))
        return after, self.law.formats.correction.value(after.correction) / self.scale_px_per_rad

    def step_words(self, state: FixedState, given: FixedInput) -> FixedState:
        """Return the next state."""
        mismatch = np.where(given.seen, given.reference - given.position, 0)
        return fixed_step(self.law, state, mismatch, given.seen, given.lowest, given.highest)

    def inputs(self, reading: TiltReading, setpoint: Setpoint) -> FixedInput:
        """Return a frame's reading and setpoint in words."""
        f = self.law.formats
        return words_in(
            reading, setpoint, fraction=f.position.fraction, correction=f.correction,
            scale_px_per_rad=self.scale_px_per_rad,
        )  # fmt: skip

    def rounded_law(self) -> LinearLaw:
        """Return the law that the words of the coefficients stand for."""
        return rounded_law(self.law)

    def left_by_leak(self) -> float:
        """Return the share of a constant disturbance that its coefficients leave. [-]"""
        return left_by_leak(self.exact, self.rounded_law())

    def rounding_density(self, frequency_hz: Array, frame_s: float) -> Array:
        """Return what rounding adds to the correction, loop open (F, 1 or M, 2). [rad^2/Hz]"""
        density = rounding_density(
            self.law, frequency_hz, frame_s, rounds_positions=self.rounds_positions
        )
        return density / self.scale_px_per_rad**2

    def rounding_bound_rad(self, frames: int) -> Array:
        """Return how far roundings of so many frames can move the correction (1 or M, 2). [rad]"""
        bound_px = rounding_bound_px(self.law, frames, rounds_positions=True)
        return bound_px / self.scale_px_per_rad


def words_in(
    reading: TiltReading, setpoint: Setpoint, *, fraction: int, correction: QFormat,
    scale_px_per_rad: float,
) -> FixedInput:  # fmt: skip
    """Return a frame's reading and setpoint in words.

    Parameters
    ----------
    reading, setpoint
        As a controller gets them.
    fraction : int
        Bits behind the point of positions and references.
    correction : QFormat
        Of the correction and its limits.
    scale_px_per_rad : float
        Of the camera. [px/rad]
    """

    def words(angle_rad: Array) -> Whole:
        return np.rint(np.ldexp(angle_rad * scale_px_per_rad, fraction)).astype(np.int64)

    def edge(limit_rad: Array, inwards: Any) -> Whole:
        found = inwards(np.ldexp(limit_rad * scale_px_per_rad, correction.fraction))
        return correction.saturated(found.astype(np.int64))

    tilt_rad = reading.tilt_rad
    seen = (reading.status == np.uint8(SpotStatus.OK))[:, None] & np.isfinite(tilt_rad)
    position = words(np.where(seen, tilt_rad, 0.0))
    low = edge(setpoint.lowest_rad, np.ceil)
    high = np.maximum(edge(setpoint.highest_rad, np.floor), low)
    return FixedInput(position, seen, words(setpoint.reference_rad), low, high)
