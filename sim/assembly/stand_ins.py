"""What takes the place of a part that is left out: code that is not run, a silenced disturbance."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.foundations.ports import (
    Array,
    CameraBelief,
    Effects,
    Setpoint,
    SpotReading,
    SpotStatus,
    TiltReading,
)


class StandIn:
    """Fits every place and does nothing."""

    def initial_state(self, n_mirrors: int = 0) -> None:
        """Return no state."""

    def step(self, state: Any, reading: TiltReading, setpoint: Setpoint) -> tuple[Any, Array]:
        """Correct nothing."""
        return state, np.zeros_like(setpoint.reference_rad)

    def path(self, start_rad: Array, target_rad: Array) -> Array:
        """Jump."""
        return target_rad[None]

    def advance(self, state: Any, first_frame: int, n_frames: int) -> tuple[Any, Effects]:
        """Disturb nothing."""
        return state, Effects()

    def __call__(self, frames_dn: NDArray[np.int32], *, camera: CameraBelief) -> SpotReading:
        """Read nothing."""
        m = len(frames_dn)
        failed = np.full(m, SpotStatus.FAILED, np.uint8)
        return SpotReading(np.full((m, 2), np.nan), np.zeros(m), failed)
