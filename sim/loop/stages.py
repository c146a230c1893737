"""One frame of the loop, stage by stage: any estimator, any controller, any camera."""

from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.camera.exposure import Sampling
from sim.camera.measurement import BEYOND, Measurement
from sim.camera.search import Search
from sim.camera.settings import window_origin
from sim.camera.shutter import row_delay_s
from sim.errors import ScenarioError
from sim.loop.checks import check_correction
from sim.loop.frame_path import FramePath
from sim.loop.parts import Parts
from sim.loop.recorder import Recorder
from sim.loop.stopwatch import Stage, Stopwatch
from sim.loop.surroundings import Environment
from sim.mirror.motion import Asked, Forcing, Motion
from sim.mirror.propagator import Fleet
from sim.ports import Array, TiltReading
from sim.rng import Stream

AT_ONCE = np.zeros(0)


class FrameByFrame:
    """Takes the loop through single frames, in order."""

    def __init__(
        self, parts: Parts, motion: Motion, recorder: Recorder, watch: Stopwatch
    ) -> None:
        n, m = parts.clock.ticks_per_frame, len(parts.mirrors)
        self._parts = parts
        self._motion = motion
        self._recorder = recorder
        self._watch = watch
        self._history = np.zeros((n + 1, 2, m))
        self._noise = np.zeros((n if parts.drive.noise_v > 0 else 0, 2, m), np.float32)
        self._position = np.zeros((len(parts.exposure_weights), 2, m))
        self._samples = parts.exposure_weights @ np.arange(n + 1.0)
        self._search = None if parts.search is None else Search(parts.search, m)
        self._pictures = {frame: text for text, frame in parts.pictures}
        self.control = parts.controller.initial_state(m)
        """State of the controller."""
        self.kept: list[tuple[str, int, NDArray[np.uint16]]] = []
        """Spot images: what they show, their frame, and (M, H, W) [DN]."""

    @property
    def search_frames(self) -> NDArray[np.int32]:
        """Frames that each mirror (M,) was searched for."""
        if self._search is None:
            return np.zeros(len(self._parts.mirrors), np.int32)
        return self._search.frames

    def run(self, frame: int, k: int, around: Environment, path: FramePath, fleet: Fleet) -> None:
        """Run one frame, the k-th of the block that `around` is of."""
        parts, motion, watch = self._parts, self._motion, self._watch
        n = parts.clock.ticks_per_frame
        ticks = slice(k * n, (k + 1) * n + 1)
        if len(self._noise):
            parts.kernels.fill_normals(
                self._noise, parts.mirrors, 0, frame, (parts.seed, int(Stream.AMPLIFIER))
            )
        forcing = Forcing(
            around.acceleration[ticks],
            around.rest[k],
            around.rest[k + 1],
            float(around.gain[k]),
            float(around.gain[k + 1]),
            self._noise,
        )
        self._history[0] = motion.moving.tilt
        lag, change = motion.lag, motion.change_tick
        now = n if lag else change
        waiting = motion.waiting
        asked = Asked(path.asked_rad, waiting[0], waiting[min(lag, 1)], change if lag else n)
        parts.kernels.advance(
            motion.moving, self._history, 0, now, asked, forcing, fleet, parts.drive
        )
        watch.lap(Stage.PLANT)
        measured, status = self._read(frame, path, around.sensor[ticks], around.temperature[k])
        watch.lap(Stage.CAMERA)
        self.control, correction = parts.controller.step(
            self.control, TiltReading(measured, status), path.setpoint
        )
        check_correction(correction, parts, frame)
        waiting[:-1] = waiting[1:]
        waiting[-1] = correction.T
        watch.lap(Stage.CONTROL)
        if not lag:
            asked = Asked(path.asked_rad, waiting[0], waiting[0], n)
            parts.kernels.advance(
                motion.moving, self._history, now, n, asked, forcing, fleet, parts.drive
            )
            watch.lap(Stage.PLANT)
        self._recorder.frame(frame, self._history, measured, status, correction)
        watch.lap(Stage.RECORDING)

    def _read(
        self, frame: int, path: FramePath, shift_rad: Array, temperature_k: float
    ) -> tuple[Array, NDArray[np.uint8]]:
        """Expose, read, and search where that is on: (measured tilt, status)."""
        parts, search, measurement = self._parts, self._search, self._parts.measurement
        origin = path.origin_px
        if search is not None:
            origin = window_origin(path.expected_px + search.offset_px, measurement.window_px)
        parts.kernels.spot_paths(
            self._position, self._history, shift_rad,
            Sampling(self._samples, delay_ticks(origin, parts), parts.scale_px_per_rad),
            np.ascontiguousarray(origin.T),
        )  # fmt: skip
        seen = (self._position, frame, origin, float(temperature_k))
        spots = measurement.read(*seen)
        spot_px, status = origin + spots.spot_px, spots.status
        if measurement.table is not None and status.max() == BEYOND:
            raise beyond_table(parts, int(status.argmax()), frame)
        if search is not None:
            look = partial(_fields, measurement, seen)
            spot_px, status = search.judge(spot_px, status, path.expected_px, look)
        if frame in self._pictures:
            self.keep(frame, seen)
        return spot_px / parts.scale_px_per_rad, status

    def keep(self, frame: int, seen: tuple[Any, ...]) -> None:
        """Keep the spot images of a frame; `seen` is what `Measurement.frames` takes."""
        pixels = self._parts.measurement.frames(*seen).astype(np.uint16)
        self.kept.append((self._pictures[frame], frame, pixels))


def _fields(
    measurement: Measurement, seen: tuple[Any, ...], which: NDArray[np.int64]
) -> NDArray[np.int32]:
    return measurement.fields(which, *seen)


def delay_ticks(origin_px: Array, parts: Parts) -> Array:
    """Return how much later than the frame each mirror's exposure starts, (M,). [tick]

    Empty if all start with the frame.
    """
    if parts.row_s == 0:
        return AT_ONCE
    measurement = parts.measurement
    middle = origin_px[:, 1] + measurement.centre_px[:, 1] + 0.5 * (measurement.window_px[0] - 1)
    return row_delay_s(parts.row_s, middle, measurement.layout.shape[0]) / parts.clock.tick_s


def beyond_table(parts: Parts, column: int, frame: int) -> ScenarioError:
    """Return what to say when a spot leaves the part of its window that the noise table covers."""
    assert parts.measurement.table is not None
    return ScenarioError(
        f'camera.noise: "equivalent" has no meaning here: at {1e3 * frame * parts.clock.frame_s:g} '
        f"ms the spot of mirror {parts.mirrors[column]} is farther than "
        f"{parts.measurement.table.reach_px:.2f} px from the middle of its window, or lost; "
        'use "fast"'
    )
