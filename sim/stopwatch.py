"""What took the time: the stages of the loop, each with the seconds spent in it."""

from enum import IntEnum
from time import perf_counter
from typing import NamedTuple


class Stage(IntEnum):
    """Parts of a frame that are timed."""

    SURROUNDINGS = 0
    """Disturbances, mounts and bracket."""
    PLANT = 1
    """Drive and mirrors, the amplifiers' noise with them."""
    CAMERA = 2
    """Spot images and their reading."""
    CONTROL = 3
    """Commanded path, its expected answer, and the controller."""
    RECORDING = 4
    """Errors and losses at every tick, and the traces."""


class Spent(NamedTuple):
    """Wall-clock time of a run of the loop."""

    first_s: float
    """The first frame with all before it: kernels are loaded in it, or compiled if they must. [s]
    """
    stages_s: tuple[float, ...]
    """Each `Stage`, without the first frame. [s]"""


class Stopwatch:
    """Adds up laps by stage; a lap goes to the stage that ends with it."""

    def __init__(self) -> None:
        self._stages_s = [0.0] * len(Stage)
        self._first_s = 0.0
        self.start()

    def start(self) -> None:
        """Let the next lap begin now."""
        self._at_s = perf_counter()

    def lap(self, stage: Stage) -> None:
        """Count the time since the last lap for a stage."""
        now_s = perf_counter()
        self._stages_s[stage] += now_s - self._at_s
        self._at_s = now_s

    def set_aside(self) -> None:
        """Count everything so far as the first frame."""
        self._first_s = sum(self._stages_s)
        self._stages_s = [0.0] * len(Stage)

    def spent(self) -> Spent:
        """Return the times so far."""
        return Spent(self._first_s, tuple(self._stages_s))
