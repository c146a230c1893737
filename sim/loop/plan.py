"""What the loop does next: how many frames in one go, on which path, and what ends them.

Everything that can be due in a run is known here and nowhere else. What is fixed before the run,
commands and pictures, is in the calendar; an event at a given time is one more entry of it.
The rest follows from the state of the run: the next block of surroundings, resonance that has
drifted, mirrors on the move.
"""

import math
from collections.abc import Iterable
from typing import NamedTuple

import numpy as np

from sim.camera.measurement import NOISE
from sim.foundations.ports import Array, WithSurroundings
from sim.loop.parts import Parts
from sim.loop.pending import lateness_of, settled_after

FIRST_FRAMES = 16
"""Frames of the first block of surroundings."""
BLOCK_FRAMES = 256
"""Frames of each block after that."""
SLOW_FRAMES = 16
"""Frames in one go where each takes long: stage by stage, or with exact noise."""
MOVING_FRAMES = 32
"""Frames in one go while the mirrors are to move: each has a path."""
RESONANCE_STEP = 2e-6
"""Propagators are made again once resonance has changed by this much, relative."""


class Due(NamedTuple):
    """Something that a stretch of frames must end for."""

    frame: int
    """First frame that it matters to."""
    what: str


class Stretch(NamedTuple):
    """Frames that are run in one go."""

    first: int
    frames: int
    fused: bool
    """In one call of a kernel, else frame by frame."""
    why: str
    """What is due after it."""
    eventful: bool = False
    """Whether events of the scenario may act in it; then it goes frame by frame."""

    @property
    def end(self) -> int:
        """First frame after it."""
        return self.first + self.frames


class Planner:
    """Cuts a run into stretches."""

    def __init__(self, parts: Parts, until: int | None = None, *, fused: bool) -> None:
        """Lay out what is fixed before the run.

        Parameters
        ----------
        parts : Parts
            What takes part.
        until : int, optional
            Frame before which to stop; the run's end if left out.
        fused : bool
            Whether the frames take the fused path.
        """
        self.end = parts.clock.n_frames if until is None else min(until, parts.clock.n_frames)
        self._fused = fused
        self._windows = event_windows(parts)
        self._calendar = (
            Due(self.end, "end"),
            *(Due(frame, "command") for frame in parts.epoch_frames),
            *(Due(frame + 1, "picture") for _, frame in parts.pictures),
            *(Due(frame, "stage") for frame in parts.reference.command_frames),
            *(Due(frame, "event") for window in self._windows for frame in window),
        )
        slow = not fused or parts.measurement.noise == NOISE["exact"]
        self._longest = SLOW_FRAMES if slow else BLOCK_FRAMES

    def next(
        self, frame: int, resonance_due: int, *, moving: bool, order: int | None = None
    ) -> Stretch:
        """Return the stretch that begins with a frame.

        Parameters
        ----------
        frame : int
            The frame.
        resonance_due : int
            Frame at which propagators are to be made again, see `resonance_due`.
        moving : bool
            Whether the commanded path moves in this frame.
        order : int, optional
            Frame at which the switch acts on an alarm.
        """
        eventful = any(first <= frame < end for first, end in self._windows)
        longest = SLOW_FRAMES if eventful else self._longest
        due = [
            *self._calendar,
            Due(block_end(frame), "block"),
            Due(resonance_due, "resonance"),
            Due(frame + min(longest, MOVING_FRAMES if moving else BLOCK_FRAMES), "length"),
        ]
        if order is not None:
            due.append(Due(order, "order"))
        first = _first_after(frame, due)
        fused = self._fused and not eventful
        return Stretch(frame, first.frame - frame, fused, first.what, eventful)


def event_windows(parts: Parts) -> tuple[tuple[int, int], ...]:
    """Return (first frame, first after) of the stretches in which events may act.

    After each event they last until nothing that it made late is still on its way.
    """
    frame_s, after = parts.clock.frame_s, settled_after(parts)
    before = lateness_of(parts).windows
    return tuple(
        (
            max(math.floor(each.event.from_s / frame_s) - before, 0),
            min(math.ceil(each.event.to_s / frame_s) + after, parts.clock.n_frames),
        )
        for each in parts.events
        if not isinstance(each, WithSurroundings)
    )


def block_start(frame: int) -> int:
    """Return the first frame of the block of surroundings that a frame lies in."""
    if frame < FIRST_FRAMES:
        return 0
    return frame - (frame - FIRST_FRAMES) % BLOCK_FRAMES


def block_end(frame: int) -> int:
    """Return the first frame after the block of surroundings that a frame lies in."""
    return FIRST_FRAMES if frame < FIRST_FRAMES else block_start(frame) + BLOCK_FRAMES


def resonance_due(frame: int, resonance: Array, change: float) -> int:
    """Return the first frame after `frame` that the propagators made for `change` will not do for.

    Parameters
    ----------
    frame : int
        For it they will do.
    resonance : (K,) ndarray
        Relative change of the resonance in this frame and those that follow in its block. [-]
    change : float
        The change that the propagators were made for. [-]
    """
    apart = np.abs(resonance - change) > RESONANCE_STEP
    return frame + (int(apart.argmax()) if apart.any() else len(resonance))


def _first_after(frame: int, due: Iterable[Due]) -> Due:
    return min((each for each in due if each.frame > frame), key=lambda each: each.frame)
