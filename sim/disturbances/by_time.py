"""Disturbances whose effects follow from the time alone: both clocks ask the same function."""

from abc import ABC, abstractmethod

from sim.foundations.ports import Array, Clock, Effects


class ByTime(ABC):
    """Base of those that draw nothing on the way: they keep a clock and say what is at any time."""

    _clock: Clock

    def initial_state(self) -> None:
        """Return nothing: the effects follow from the time alone."""
        return None

    def advance(self, state: None, first_frame: int, n_frames: int) -> tuple[None, Effects]:
        """Return the effects over the block."""
        return None, self._effects(self._clock.frame_times_s(first_frame, n_frames))

    def slow_state(self) -> None:
        """Return nothing."""
        return None

    def slow(self, state: None, time_s: Array) -> tuple[None, Effects]:
        """Return the effects at each time."""
        return None, self._effects(time_s)

    @abstractmethod
    def _effects(self, time_s: Array) -> Effects:
        """Return the effects at each time."""
