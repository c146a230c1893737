"""No shaping: the whole jump at the first tick."""

from typing import Literal

import numpy as np

from sim.foundations.params import Block
from sim.foundations.ports import Array, PlantBelief


class NoShapingParams(Block):
    """Nothing to set."""

    kind: Literal["none"] = "none"
    """Name of this shaper. [-]"""


class NoShaping:
    """The quickest start and the longest ringing: overshoot near 80 % at a quality of 8."""

    Params = NoShapingParams

    def __init__(self, params: NoShapingParams, plant: PlantBelief) -> None:
        self.params = params
        self.plant = plant

    def path(self, start_rad: Array, target_rad: Array) -> Array:
        """Return commanded tilt (1, M, 2) [rad]: the target at once."""
        return np.array(target_rad, dtype=float)[None]
