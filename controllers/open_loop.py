"""No feedback at all: the reference against which a loop has to earn its keep."""

from typing import Literal

from controllers.by_law import ByLaw
from sim.foundations.params import Block
from sim.foundations.ports import PlantBelief
from sim.foundations.ports.linear_law import LawMatrices, LinearLaw


class OpenLoopParams(Block):
    """Feed-forward alone; the camera is not used."""

    kind: Literal["open_loop"] = "open_loop"
    """Name of this controller. [-]"""


class OpenLoop(ByLaw):
    """Keeps the correction it was handed (zero at the start), inside the drive's limits."""

    Params = OpenLoopParams

    def __init__(self, params: OpenLoopParams, plant: PlantBelief) -> None:
        self.params = params
        self.plant = plant
        stand = LawMatrices.of(0, H=1.0)
        super().__init__(LinearLaw.of(stand, stand))
