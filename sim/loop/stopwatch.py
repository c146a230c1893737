"""What took the time: the stages of the loop, each with the seconds spent in it."""

from enum import IntEnum
from itertools import pairwise
from time import perf_counter
from typing import NamedTuple

from sim.kernels.preparing import preparing_s
from sim.loop.plan import Stretch


class TimedStage(IntEnum):
    """What time is counted for."""

    SURROUNDINGS = 0
    """Disturbances, mounts and bracket, and the mirrors at their temperature; with several threads
    only what of them the loop has to wait for."""
    PATH = 1
    """Commanded paths, and what is expected of the mirrors on them."""
    FUSED = 2
    """Plant, camera, control and recording of many frames in one call."""
    PLANT = 3
    """Frame by frame: drive and mirrors, the amplifiers' noise with them."""
    CAMERA = 4
    """Frame by frame: spot images and their reading."""
    CONTROL = 5
    """Frame by frame: the controller."""
    RECORDING = 6
    """The traces; frame by frame, errors and losses at every tick as well."""
    PICTURES = 7
    """Spot images that are kept."""


class Spent(NamedTuple):
    """Wall-clock time of a run of the loop, as measured; inside a fused call nothing can be."""

    start_s: float = 0.0
    """The first stretch of frames with all before it, and whatever later frames took to load or to
    compile kernels. [s]"""
    stages_s: tuple[float, ...] = (0.0,) * len(TimedStage)
    """Each `TimedStage`, without that. [s]"""
    fused_frames: int = 0
    """Frames that went through the fused path."""

    def by_stage_s(self) -> dict[str, float]:
        """Return the seconds of each stage that took any, by name."""
        return {
            stage.name.lower(): self.stages_s[stage]
            for stage in TimedStage if self.stages_s[stage]
        }


class Lap(NamedTuple):
    """A moment, with the stage that ended then; the first is the beginning."""

    stage: TimedStage | None
    at_s: float
    preparing_s: float
    """What kernels took to load or to compile, up to then. [s]"""


Laps = list[Lap]


def begun() -> Laps:
    """Return laps that begin now."""
    return [Lap(None, perf_counter(), preparing_s())]


def lap(laps: Laps, stage: TimedStage) -> None:
    """Count the time since the last lap for a stage."""
    laps.append(Lap(stage, perf_counter(), preparing_s()))


def with_laps(spent: Spent, laps: Laps, stretch: Stretch, *, start: bool) -> Spent:
    """Return the times with those of a stretch of frames: by stage, or all for the start."""
    fused_frames = spent.fused_frames + stretch.fused * stretch.frames
    if start:
        start_s = spent.start_s + laps[-1].at_s - laps[0].at_s
        return Spent(start_s, spent.stages_s, fused_frames)
    stages_s = list(spent.stages_s)
    for before, now in pairwise(laps):
        assert now.stage is not None
        prepared_s = now.preparing_s - before.preparing_s
        stages_s[now.stage] += max(now.at_s - before.at_s - prepared_s, 0.0)
    start_s = spent.start_s + laps[-1].preparing_s - laps[0].preparing_s
    return Spent(start_s, tuple(stages_s), fused_frames)
