"""A stretch of frames, stage by stage: any estimator, any controller, any camera."""

from collections.abc import Callable
from functools import partial
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.camera.exposure import Sampling
from sim.camera.measurement import BEYOND
from sim.camera.search import SearchState, move_windows
from sim.camera.settings import window_origin
from sim.camera.shutter import row_delay_s
from sim.camera.spot_guard import Windows, confusion_counts
from sim.foundations.errors import ScenarioError
from sim.foundations.ports import Array, Setpoint, SpotReading, SpotStatus, TiltReading
from sim.foundations.rng import Stream
from sim.kernels.stretch import ObservedLimits
from sim.loop.arrivals import arrivals_of, on_hand, reading_tick, tick_spans, with_own
from sim.loop.checks import check_correction
from sim.loop.frame_path import FramePath
from sim.loop.health import HealthState, see, withheld
from sim.loop.outlook import Outlook
from sim.loop.parts import Parts
from sim.loop.recorder import note_frame
from sim.loop.sight import measured_rad
from sim.loop.state import CameraPicture, LoopState, copy_state
from sim.loop.stopwatch import Laps, TimedStage, lap
from sim.loop.surroundings import Environment
from sim.mirror.motion import Asked, Forcing, Moving

NO_DELAYS = np.zeros(0)
"""All exposures start with the frame."""


class Exposure(NamedTuple):
    """What `Measurement` makes the images of a frame from."""

    position_px: Array
    """(S, 2, M) paths of the spots over the exposure, in their windows. [px]"""
    frame: int
    origin_px: Array
    """(M, 2) corners of the windows. [px]"""
    temperature_k: float
    light: float = 1.0
    """Factor on the spots' light. [-]"""


class FrameByFrame:
    """Takes the loop through frames one by one; it keeps working memory alone."""

    def __init__(self, parts: Parts) -> None:
        n, m = parts.clock.ticks_per_frame, len(parts.mirrors)
        self._parts = parts
        self._history = np.zeros((n + 1, 2, m))
        self._noise = np.zeros((n if parts.drive.noise_v > 0 else 0, 2, m), np.float32)
        self._position = np.zeros((len(parts.exposure_weights), 2, m))
        self._no_origin = np.zeros((2, m))
        self._samples = parts.exposure_weights @ np.arange(n + 1.0)
        self._arrivals = arrivals_of(parts)

    def run(
        self, state: LoopState, ahead: Outlook, watched: ObservedLimits, laps: Laps
    ) -> LoopState:
        """Return the state after a stretch of frames; the traces under watch are written to."""
        parts, n = self._parts, self._parts.clock.ticks_per_frame
        motion = copy_state(state.motion)
        moving, waiting = motion.moving, motion.waiting
        control, search, pictures = state.control, state.search, state.pictures
        confusion, health = state.confusion, state.health
        for k in range(ahead.stretch.frames):
            frame, path = ahead.stretch.first + k, ahead.path(k)
            environment = ahead.environment.part(k, 1, n)
            forcing = self.forcing(frame, environment)
            self._history[0] = moving.tilt
            before, after = on_hand(self._arrivals, waiting)
            now = reading_tick(self._arrivals, n)
            for first, last, asked in tick_spans(
                self._arrivals, 0, now, path.asked_rad, before, after
            ):
                self._advance(moving, first, last, asked, forcing, ahead)
            lap(laps, TimedStage.PLANT)
            search, exposure, reading, counts = self._read(frame, path, environment, search)
            if confusion is not None and counts is not None:
                confusion = confusion + counts
            lap(laps, TimedStage.CAMERA)
            control, correction, health = self.controlled(
                control, health, frame, reading, path.setpoint
            )
            waiting[:-1] = waiting[1:]
            waiting[-1] = correction.T
            lap(laps, TimedStage.CONTROL)
            if now < n:
                after = with_own(self._arrivals, after, correction.T)
                for first, last, asked in tick_spans(
                    self._arrivals, now, n, path.asked_rad, before, after
                ):
                    self._advance(moving, first, last, asked, forcing, ahead)
                lap(laps, TimedStage.PLANT)
            note_frame(parts, watched, frame, self._history, reading, correction)
            lap(laps, TimedStage.RECORDING)
            look = partial(parts.measurement.frames, *exposure)
            if shown := pictures_of(parts, frame, look):
                pictures += shown
                lap(laps, TimedStage.PICTURES)
        return state._replace(
            motion=motion, control=control, search=search, pictures=pictures,
            confusion=confusion, health=health,
        )

    def controlled(
        self, control: Any, health: HealthState | None, frame: int, reading: TiltReading,
        setpoint: Setpoint,
    ) -> tuple[Any, Array, HealthState | None]:  # fmt: skip
        """Return what controller and watch make of a reading: states, and the correction."""
        parts = self._parts
        control, correction = parts.controller.step(
            control, withheld(health, frame, reading), setpoint
        )
        check_correction(correction, parts, frame)
        return control, correction, see(parts.health, health, frame, reading, setpoint, correction)

    def _advance(
        self, moving: Moving, first: int, last: int, asked: Asked, forcing: Forcing, ahead: Outlook
    ) -> None:
        """Move the fleet through some ticks of a frame."""
        asked = self.sent(asked, first, last)
        self._parts.kernels.advance(
            moving, self._history, first, last, asked, forcing, ahead.mirrors.fleet,
            self._parts.drive,
        )

    def sent(self, asked: Asked, first: int, last: int) -> Asked:
        """Return what the firmware sends to the drive in some ticks of a frame."""
        coded = self._parts.coded
        if coded is None:
            return asked
        return coded.asked(asked, first, last, self._parts.clock.ticks_per_frame)

    def forcing(self, frame: int, environment: Environment) -> Forcing:
        """What acts on drives and mirrors in a frame."""
        if len(self._noise):
            parts = self._parts
            parts.kernels.fill_normals(
                self._noise, parts.mirrors, 0, frame, (parts.seed, int(Stream.AMPLIFIER))
            )
        gain = float(environment.gain[0]), float(environment.gain[1])
        rest = environment.rest[0], environment.rest[1]
        return Forcing(environment.acceleration, *rest, *gain, self._noise)

    def _read(
        self, frame: int, path: FramePath, environment: Environment, search: SearchState | None
    ) -> tuple[SearchState | None, Exposure, TiltReading, NDArray[np.bool_] | None]:
        """Expose, read, doubt readings and search where that is on; count what they were."""
        parts = self._parts
        origin = asked_corner(parts, path, search)
        exposure, spots = self.exposed(frame, origin, environment)
        spot_px, status, counts = self.whose(origin, path.expected_px, spots)
        search, spot_px, status = self.judged(
            search, spot_px, status, path.expected_px, exposure
        )
        return search, exposure, TiltReading(measured_rad(parts, spot_px), status), counts

    def exposed(
        self, frame: int, origin: Array, environment: Environment, light: float = 1.0
    ) -> tuple[Exposure, SpotReading]:
        """Return the exposure of windows with these corners, and what is read in them."""
        parts, measurement = self._parts, self._parts.measurement
        parts.kernels.spot_paths(
            self._position, self._history, environment.sensor,
            Sampling(self._samples, delay_ticks(origin, parts), parts.scale_px_per_rad),
            np.ascontiguousarray(origin.T) if parts.lens is None else self._no_origin,
        )  # fmt: skip
        if parts.lens is not None:
            self._position[:] = parts.lens.drawn(self._position) - origin.T
        at_k = float(environment.temperature[0])
        exposure = Exposure(self._position, frame, origin, at_k, light)
        spots = measurement.read(*exposure)
        if measurement.table is not None and spots.status.max() == BEYOND:
            raise beyond_table(parts, int(spots.status.argmax()), frame)
        return exposure, spots

    def whose(
        self, origin: Array, expected_px: Array, spots: SpotReading
    ) -> tuple[Array, NDArray[np.uint8], NDArray[np.bool_] | None]:
        """Return positions and status with the readings that are doubted, and what each was."""
        parts, measurement = self._parts, self._parts.measurement
        spot_px, status = origin + spots.spot_px, spots.status
        if parts.guard is None and not measurement.params.spill:
            return spot_px, status, None
        height, width = measurement.window_px
        corners = np.stack([origin, origin + np.array([width - 1, height - 1])])
        windows = Windows(corners, measurement.neighbours, measurement.centre_px.astype(float))
        read_px = spot_px
        if parts.guard is not None:
            wrong = parts.guard.doubts(spot_px, spots.flux_dn, expected_px, windows)
            wrong &= status == SpotStatus.OK
            status = np.where(wrong, SpotStatus.WRONG_SPOT, status).astype(np.uint8)
            spot_px = np.where(wrong[:, None], np.nan, spot_px)
        if not measurement.params.spill:
            return spot_px, status, None
        place_px = origin + self._position.mean(axis=0).T
        return spot_px, status, confusion_counts(read_px, status, place_px, windows)

    def judged(
        self, search: SearchState | None, spot_px: Array, status: NDArray[np.uint8],
        expected_px: Array, exposure: Exposure,
    ) -> tuple[SearchState | None, Array, NDArray[np.uint8]]:  # fmt: skip
        """Search for lost spots where that is on; see `sim.camera.search.move_windows`."""
        parts = self._parts
        if parts.search is None or search is None:
            return search, spot_px, status

        def look(which: NDArray[np.int64]) -> NDArray[np.int32]:
            return parts.measurement.fields(which, *exposure)

        return move_windows(parts.search, search, spot_px, status, expected_px, look)


def asked_corner(parts: Parts, path: FramePath, search: SearchState | None) -> Array:
    """Return the corners (M, 2) of the windows that the firmware asks for. [px]"""
    if search is None:
        return path.origin_px
    return window_origin(path.expected_px + search.offset_px, parts.measurement.window_px)


def delay_ticks(origin_px: Array, parts: Parts) -> Array:
    """Return how much later than the frame each mirror's exposure starts, (M,). [tick]

    Empty if all start with the frame.
    """
    if parts.row_s == 0:
        return NO_DELAYS
    measurement = parts.measurement
    middle = origin_px[:, 1] + measurement.centre_px[:, 1] + 0.5 * (measurement.window_px[0] - 1)
    return row_delay_s(parts.row_s, middle, measurement.layout.shape[0]) / parts.clock.tick_s


def pictures_of(
    parts: Parts, frame: int, pixels_dn: Callable[[], NDArray[np.int32]]
) -> tuple[CameraPicture, ...]:
    """Return the picture of a frame, if one is to be kept; only then are its pixels asked for."""
    return tuple(
        CameraPicture(shows, frame, pixels_dn().astype(np.uint16))
        for shows, at in parts.pictures
        if at == frame
    )


def beyond_table(parts: Parts, column: int, frame: int) -> ScenarioError:
    """Return what to say when a spot leaves the part of its window that the noise table covers."""
    assert parts.measurement.table is not None
    return ScenarioError(
        f'camera.noise: "equivalent" has no meaning here: at {1e3 * frame * parts.clock.frame_s:g} '
        f"ms the spot of mirror {parts.mirrors[column]} is farther than "
        f"{parts.measurement.table.reach_px:.2f} px from the middle of its window, or lost; "
        'use "fast"'
    )
