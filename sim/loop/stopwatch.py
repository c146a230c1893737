"""What took the time: the stages of the loop, each with the seconds spent in it."""

from enum import IntEnum
from time import perf_counter
from typing import NamedTuple


class Stage(IntEnum):
    """What time is counted for."""

    SURROUNDINGS = 0
    """Disturbances, mounts and bracket."""
    PATH = 1
    """Commanded paths, and what is expected of the mirrors on them."""
    PLANT = 2
    """Drive and mirrors, the amplifiers' noise with them."""
    CAMERA = 3
    """Spot images and their reading."""
    CONTROL = 4
    """The controller."""
    RECORDING = 5
    """Errors and losses at every tick, and the traces."""
    FUSED = 6
    """Plant, camera, control and recording of many frames in one call."""


INSIDE = (Stage.PLANT, Stage.CAMERA, Stage.CONTROL, Stage.RECORDING)
"""What `Stage.FUSED` is made of."""


class Spent(NamedTuple):
    """Wall-clock time of a run of the loop."""

    start_s: float
    """The first frame with all before it, and the first stretch on the fused path: kernels are
    loaded in them, or compiled if they must. [s]"""
    stages_s: tuple[float, ...]
    """Each `Stage`, without that. [s]"""
    fused_frames: int
    """Frames that went through the fused path."""

    def shared_out_s(self) -> dict[str, float]:
        """Return the seconds of each stage, those of the fused path shared out among its parts.

        Inside the fused path nothing can be timed; its time is split as that of the frames which
        went stage by stage before it.
        """
        seconds = {stage: self.stages_s[stage] for stage in Stage}
        fused_s = seconds.pop(Stage.FUSED)
        sampled_s = sum(seconds[stage] for stage in INSIDE)
        for stage in INSIDE:
            share = seconds[stage] / sampled_s if sampled_s > 0 else 1 / len(INSIDE)
            seconds[stage] += share * fused_s
        return {stage.name.lower(): value for stage, value in seconds.items()}


class Stopwatch:
    """Adds up laps by stage; a lap goes to the stage that ends with it."""

    def __init__(self) -> None:
        self._stages_s = [0.0] * len(Stage)
        self._start_s = 0.0
        self._at_s = perf_counter()

    def lap(self, stage: Stage) -> None:
        """Count the time since the last lap for a stage."""
        now_s = perf_counter()
        self._stages_s[stage] += now_s - self._at_s
        self._at_s = now_s

    def lap_of_start(self) -> None:
        """Count the time since the last lap for the start."""
        now_s = perf_counter()
        self._start_s += now_s - self._at_s
        self._at_s = now_s

    def end_of_start(self) -> None:
        """Count everything so far for the start."""
        self._start_s += sum(self._stages_s)
        self._stages_s = [0.0] * len(Stage)

    def spent(self, fused_frames: int) -> Spent:
        """Return the times so far."""
        return Spent(self._start_s, tuple(self._stages_s), fused_frames)
