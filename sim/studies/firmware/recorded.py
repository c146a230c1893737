"""Frames of the simulated loop, in words: what came in and what went out of the firmware."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.assembly.build import Built
from sim.camera.measurement import Measurement
from sim.firmware.calibrated.guard import FixedGuard
from sim.firmware.calibrated.lens import FixedLens
from sim.firmware.codes import CodedDrive
from sim.firmware.controller import FixedController, FixedInput
from sim.firmware.fixed_law import FixedState
from sim.firmware.rounding import Whole
from sim.firmware.spots.estimator import FixedEstimator, reading_of
from sim.firmware.spots.verdict import SpotWords
from sim.foundations.ports import (
    Array,
    CameraBelief,
    Setpoint,
    SpotReading,
    SpotStatus,
    TiltReading,
)
from sim.loop.simulate import steps
from sim.loop.state import initial_state
from sim.mirror.motion import Asked
from sim.studies.firmware.made import FirmwareError, fixed_parts, refuse_frames


class LoopFrame(NamedTuple):
    """A frame of M mirrors."""

    pixels_dn: NDArray[np.uint16]
    """(M, H, W) as read. [DN]"""
    origin: Whole
    """(M, 2) first pixel of each window, against the spot of an untilted mirror. [px]"""
    spots: SpotWords
    """With the readings that are doubted as such."""
    expected: Whole
    """(M, 2) where each spot is expected, against that of the untilted mirror; 0 without a guard.
    [px] in words of positions"""
    given: FixedInput
    after: FixedState


class DriveTick(NamedTuple):
    """What the drive of M mirrors is sent in a tick, in words."""

    path: Whole
    """(M, 2)"""
    correction: Whole
    """(M, 2) in force"""


class _WatchedDrive(CodedDrive):
    """The way to the DAC, with the last tick of each request noted."""

    def __init__(self, coded: CodedDrive) -> None:
        self.__dict__.update(coded.__dict__)
        self.ticks: list[DriveTick] = []

    def asked(self, asked: Asked, first: int, last: int, n_ticks: int) -> Asked:
        path = self.word(asked.path_rad)
        own = path[0] if len(path) == 1 else path[last - 1]
        after = last - 1 >= asked.change_tick
        correction = self.word(asked.after_rad if after else asked.before_rad)
        self.ticks.append(DriveTick(own.T, correction.T))
        return super().asked(asked, first, last, n_ticks)


class RecordedFrames(NamedTuple):
    """What passed the firmware in a run."""

    frames: list[LoopFrame]
    ticks: list[DriveTick]
    """The last of each request to the drive, one or two a frame."""


class _Watching:
    """Stands between the loop and the firmware, and notes what passes in a frame."""

    def __init__(self, estimator: FixedEstimator, controller: FixedController) -> None:
        self.estimator, self.controller = estimator, controller
        self.origin: Any = None
        self.raw: Any = None
        self.spots: SpotWords | None = None
        self.expected: Whole | None = None
        self.frames: list[LoopFrame] = []

    def __call__(self, frames_dn: NDArray[np.int32], *, camera: CameraBelief) -> SpotReading:
        self.spots = self.estimator.read(frames_dn)
        return reading_of(self.spots, self.estimator.words.verdict)

    def initial_state(self, n_mirrors: int) -> FixedState:
        return self.controller.initial_state(n_mirrors)

    def step(
        self, state: FixedState, reading: TiltReading, setpoint: Setpoint
    ) -> tuple[FixedState, Array]:
        given = self.controller.inputs(reading, setpoint)
        after, correction_rad = self.controller.step(state, reading, setpoint)
        assert self.spots is not None
        expected = np.zeros_like(self.origin) if self.expected is None else self.expected
        self.frames.append(LoopFrame(self.raw, self.origin, self.spots, expected, given, after))
        return after, correction_rad


class _WatchedGuard(FixedGuard):
    """A guard whose doubts are noted."""

    def __init__(self, guard: FixedGuard, watching: _Watching) -> None:
        super().__init__(guard.words)
        self._watching = watching

    def doubted(
        self, origin: Whole, position: Whole, light: Whole, expected: Whole
    ) -> NDArray[np.bool_]:
        found = super().doubted(origin, position, light, expected)
        spots = self._watching.spots
        assert spots is not None
        self._watching.expected = expected
        self._watching.spots = doubted_spots(spots, found)
        return found


def doubted_spots(spots: SpotWords, doubted: NDArray[np.bool_]) -> SpotWords:
    """Return readings with the good ones that are doubted as those of another mirror."""
    wrong = doubted & (spots.status == SpotStatus.OK)
    status = np.where(wrong, SpotStatus.WRONG_SPOT, spots.status).astype(np.uint8)
    return SpotWords(np.where(wrong[:, None], 0, spots.position), spots.light, status)


@contextmanager
def _origins_noted(measurement: Measurement, watching: _Watching) -> Iterator[None]:
    """Have windows and their corners noted, as read, for as long as this lasts."""
    reading, estimator = measurement.reading_of, measurement.estimator

    def noted(frames_dn: NDArray[np.int32], origin_px: Array) -> SpotReading:
        watching.origin = np.asarray(origin_px).astype(np.int64)
        watching.raw = frames_dn.astype(np.uint16)
        return reading(frames_dn, origin_px)

    measurement.estimator = watching
    measurement.reading_of = noted  # type: ignore[method-assign, assignment]
    try:
        yield
    finally:
        measurement.estimator = estimator
        del measurement.reading_of


def recorded(
    built: Built, frames: int, progress: Callable[[int, int], None] | None = None
) -> RecordedFrames:
    """Run the loop from its start, and return what passed the firmware.

    Parameters
    ----------
    built : Built
        A run whose estimator and controller compute in whole numbers.
    frames : int
        How many; at most those of the run.
    progress : callable, optional
        Given (frames done, of how many) now and then.

    Raises
    ------
    FirmwareError
        If the run has no firmware, or fewer frames.
    """
    parts = built.parts
    estimator, controller = fixed_parts(built)
    refuse_frames(built, frames)
    watching = _Watching(estimator, controller)
    assert parts.coded is not None, "a controller in whole numbers has codes"
    drive = _WatchedDrive(parts.coded)
    watched = replace(parts, controller=watching, coded=drive)
    if isinstance(parts.guard, FixedGuard):
        watched = replace(watched, guard=_WatchedGuard(parts.guard, watching))
    with _origins_noted(parts.measurement, watching):
        for state in steps(watched, initial_state(watched), until=frames, fused=False):
            if progress is not None:
                progress(state.frame, frames)
    lens = parts.believed_lens
    _check_nothing_between(
        watching.frames, controller, estimator, lens if isinstance(lens, FixedLens) else None
    )
    return RecordedFrames(watching.frames, drive.ticks)


def _check_nothing_between(
    frames: list[LoopFrame], controller: FixedController, estimator: FixedEstimator,
    lens: FixedLens | None,
) -> None:  # fmt: skip
    """Refuse a run in which something stands between estimator and law that the C has no part for.

    Raises
    ------
    FirmwareError
        If a position or a status that the law gets is not the one that the estimator gave.
    """
    v, fraction = estimator.words.verdict, controller.law.formats.position.fraction
    last = np.array([v.width - 1, v.height - 1])
    finer = fraction - v.position.fraction
    for number, frame in enumerate(frames):
        seen = frame.spots.status == SpotStatus.OK
        middle = (2 * frame.origin + last) << (v.position.fraction - 1)
        position = (middle + frame.spots.position) << finer
        if lens is not None:
            position, there = lens.straightened(position)
            seen &= there
        same = (frame.given.seen[:, 0] == seen) & (
            ~seen | (frame.given.position == position).all(axis=1)
        )
        if not same.all():
            raise FirmwareError(
                f"frame {number}, column {int((~same).argmax())}: the law gets another position or "
                "status than the firmware gave (lost frames or rows); the C source has no part for "
                "that, so leave it out"
            )
