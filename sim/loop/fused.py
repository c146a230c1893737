"""The fused path: many frames of the whole loop in one call of a kernel.

Mirrors do not depend on each other within a run of frames, so each block of them goes through all
stages of all frames by itself, and threads meet once in many frames. The result is that of the
stages called frame by frame, bit for bit.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from sim.camera.equivalent_noise import NO_TABLE
from sim.camera.exposure import Sampling, empty_readings
from sim.foundations.ports import Array
from sim.foundations.ports.linear_law import states_law
from sim.foundations.rng import Stream
from sim.kernels.law import law_of, memory_of, state_of
from sim.kernels.stretch import Imaging, Inputs, ObservedLimits, Paths, Scratch, Setup
from sim.loop.arrivals import arrivals_of
from sim.loop.frame_path import FramePath
from sim.loop.outlook import Outlook
from sim.loop.parts import Parts
from sim.loop.plan import BLOCK_FRAMES
from sim.loop.stages import NO_DELAYS, Exposure, beyond_table, pictures_of
from sim.loop.state import LoopState, copy_state
from sim.loop.stopwatch import Laps, TimedStage, lap


def reasons_not_fused(parts: Parts) -> tuple[str, ...]:
    """Return why a run must go frame by frame; empty if it can take the fused path."""
    measurement = parts.measurement
    found = []
    if not hasattr(parts.kernels, "run_frames"):
        found.append("the plain kernels have no fused path")
    if measurement.fused is None and measurement.table is None:
        found.append("the estimator wants whole frames")
    if measurement.scenic:
        found.append("pixels differ, or stray light is on")
    if parts.lens is not None:
        found.append("the lens or its calibration is not a scale alone")
    if parts.guard is not None:
        found.append("readings are held against the neighbours' places")
    if parts.search is not None:
        found.append("lost spots are searched for")
    if parts.row_s > 0:
        found.append("rows start one after the other")
    if parts.health is not None:
        found.append("a health watch looks at every frame")
    if not arrivals_of(parts).alike:
        found.append("corrections of different mirrors arrive at different times")
    if not states_law(parts.controller):
        found.append("the controller states no linear law of its own")
    return tuple(found)


class Fused:
    """Takes the loop through many frames at a time; it keeps working memory alone."""

    def __init__(self, parts: Parts) -> None:
        n, m = parts.clock.ticks_per_frame, len(parts.mirrors)
        self._parts = parts
        self._drawn = parts.measurement.table is not None
        self._law = law_of(parts.controller, m)
        self._sampling = Sampling(
            parts.exposure_weights @ np.arange(n + 1.0), NO_DELAYS, parts.scale_px_per_rad
        )
        self._scratch = Scratch(
            np.zeros((min(BLOCK_FRAMES, parts.clock.n_frames), n + 1, 2, m)),
            np.zeros((n, 2, m), np.float32),
            np.zeros((len(parts.exposure_weights), 2, m)),
            np.zeros((m, *parts.measurement.window_px), np.int32),
            np.zeros((3, m), np.int64),
            empty_readings(m),
            np.zeros((2, m)),
            np.zeros((1, 2, m), np.float32),
            np.full(m, -1),
        )

    def run(
        self, state: LoopState, ahead: Outlook, watched: ObservedLimits, laps: Laps
    ) -> LoopState:
        """Return the state after a stretch of frames; the traces under watch are written to."""
        parts, environment, scratch = self._parts, ahead.environment, self._scratch
        last = ahead.stretch.end - 1
        in_kernel = not self._drawn and any(at == last for _, at in parts.pictures)
        motion, memory = copy_state(state.motion), memory_of(state.control)
        setup = Setup(
            parts.seed, int(Stream.AMPLIFIER), parts.mirrors, ahead.mirrors.fleet, parts.drive,
            self._imaging(environment.temperature[:-1], in_kernel),
        )  # fmt: skip
        surroundings = Inputs(
            ahead.stretch.first, environment.acceleration, environment.sensor, environment.rest,
            environment.gain,
        )
        parts.kernels.run_frames(
            setup, _stacked(ahead.paths), surroundings, motion, self._law, memory, watched, scratch
        )
        if scratch.beyond.max() >= 0:
            first = int(scratch.beyond[scratch.beyond >= 0].min())
            raise beyond_table(parts, int((scratch.beyond == first).argmax()), first)
        lap(laps, TimedStage.FUSED)
        exposure = Exposure(
            scratch.position, last, ahead.paths[-1].origin_px, float(environment.temperature[-2])
        )

        def pixels_dn() -> NDArray[np.int32]:
            return scratch.frames if in_kernel else parts.measurement.frames(*exposure)

        shown = pictures_of(parts, last, pixels_dn)
        lap(laps, TimedStage.PICTURES)
        control = state_of(memory)
        return state._replace(motion=motion, control=control, pictures=state.pictures + shown)

    def _imaging(self, temperature_k: Array, keep: bool) -> Imaging:
        """The camera, frame by frame at its temperature; whether the last frame is kept."""
        measurement = self._parts.measurement
        values, at = np.unique(temperature_k, return_inverse=True)
        cameras = [measurement.uniform(float(value)) for value in values]
        return Imaging(
            self._sampling,
            measurement.camera,
            np.array([camera.sigma_px for camera in cameras])[at],
            np.array([camera.background_e for camera in cameras])[at],
            measurement.noise,
            measurement.threshold_dn,
            keep,
            measurement.rule,
            self._drawn,
            NO_TABLE if measurement.table is None else measurement.table,
            int(Stream.PIXELS),
            int(Stream.READINGS),
        )


def _stacked(paths: Sequence[FramePath]) -> Paths:
    asked = [path.asked_rad for path in paths]
    longest = max(each.shape for each in asked)
    return Paths(
        np.stack([np.broadcast_to(each, longest) for each in asked]),
        _mirrors_last([path.setpoint.reference_rad for path in paths]),
        _mirrors_last([path.setpoint.lowest_rad for path in paths]),
        _mirrors_last([path.setpoint.highest_rad for path in paths]),
        _mirrors_last([path.origin_px for path in paths]),
    )


def _mirrors_last(each: Sequence[Array]) -> Array:
    """Turn F arrays (M, 2) into one (F, 2, M)."""
    return np.ascontiguousarray(np.stack(each).transpose(0, 2, 1))
