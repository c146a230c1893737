"""No feedback at all: the reference against which a loop has to earn its keep."""

from typing import Literal, NamedTuple

import numpy as np

from controllers.anti_windup import within
from sim.params import Block
from sim.ports import Array, PlantBelief, Setpoint, TiltReading


class OpenLoopParams(Block):
    """Feed-forward alone; the camera is looked at by nobody."""

    kind: Literal["open_loop"] = "open_loop"
    """Name of this controller. [-]"""


class OpenLoopState(NamedTuple):
    """The correction that stands, as handed over."""

    correction_rad: Array
    """(M, 2) [rad]"""


class OpenLoop:
    """Keeps the correction it was handed (zero at the start), inside the drive's limits."""

    Params = OpenLoopParams

    def __init__(self, params: OpenLoopParams, plant: PlantBelief) -> None:
        self.params = params
        self.plant = plant

    def initial_state(self, n_mirrors: int) -> OpenLoopState:
        """Return the state before the first frame."""
        return self.hand_over(np.zeros((n_mirrors, 2)))

    def hand_over(self, correction_rad: Array) -> OpenLoopState:
        """Return the state that takes over from a standing correction (M, 2) [rad]."""
        return OpenLoopState(np.array(correction_rad, dtype=float))

    def step(
        self, state: OpenLoopState, reading: TiltReading, setpoint: Setpoint
    ) -> tuple[OpenLoopState, Array]:
        """Return (next state, correction (M, 2) [rad]); the reading is not used."""
        return state, within(state.correction_rad, setpoint)
