"""The closed loop: a function of its parts, frame by frame, that leaves traces."""

from collections.abc import Callable
from functools import partial
from types import ModuleType
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.camera import window_origin
from sim.eye import Eye
from sim.fleet import warmed
from sim.parts import Parts
from sim.ports import Array, Setpoint, TiltReading
from sim.recorder import Recorder
from sim.rng import Stream
from sim.search import Search
from sim.shutter import row_delay_s
from sim.stopwatch import Spent, Stage, Stopwatch
from sim.surroundings import Surroundings
from sim.traces import SpotImages, Traces

BLOCK_FRAMES = 64
"""Disturbances are made for this many frames at a time."""
RESONANCE_STEP = 2e-6
"""Propagators are made anew once resonance has changed by this much, relative."""


class LoopResult(NamedTuple):
    """What `simulate` returns."""

    traces: Traces
    images: SpotImages
    sway_m: Array | None
    """Largest sway of the isolated core against its frame, (x, y, z). [m]"""
    spent: Spent


def simulate(parts: Parts, progress: Callable[[int], None] | None = None) -> LoopResult:
    """Run the loop from the first frame to the last.

    Frame k exposes from its start; its correction reaches the drive `latency_ticks` after that
    and is held until the next one. Feed-forward runs at the drive's rate.

    Parameters
    ----------
    parts : Parts
        What takes part.
    progress : callable, optional
        Told the number of finished frames, at the start and after each block.

    Returns
    -------
    LoopResult
    """
    clock, kernels, watch = parts.clock, parts.kernels, Stopwatch()
    n, m = clock.ticks_per_frame, len(parts.mirrors)
    fleet = parts.fleet
    reference = parts.reference()
    asked, expected = reference.frame(0)
    path = _Path(asked, expected, parts)
    tilt = np.ascontiguousarray(parts.epochs[0].aim_rad.T + parts.population.alignment_rad.T)
    rate = np.zeros((2, m))
    volt = _volts(asked[0], parts)
    stops = np.zeros(m, np.int64)
    history = np.zeros((n + 1, 2, m))
    history[0] = tilt
    noise = np.zeros((n if parts.drive.noise_v > 0 else 0, 2, m), np.float32)
    position = np.zeros((len(parts.exposure_weights), 2, m))
    at_once = np.zeros(m)
    samples = parts.exposure_weights @ np.arange(n + 1.0)
    control = parts.controller.initial_state(m)
    lag, change = divmod(parts.latency_ticks, n)
    waiting = [np.zeros((2, m)) for _ in range(lag + 1)]
    surroundings = Surroundings(parts)
    recorder = Recorder(parts)
    pictures = dict((frame, text) for text, frame in parts.pictures)
    kept: list[tuple[str, int, NDArray[np.uint16]]] = []
    search = None if parts.search is None else Search(parts.search, m)
    warmed_by = 0.0
    epoch = -1

    if progress is not None:
        progress(0)
    for first in range(0, clock.n_frames, BLOCK_FRAMES):
        count = min(BLOCK_FRAMES, clock.n_frames - first)
        watch.start()
        around = surroundings.advance(first, count)
        recorder.surroundings(first, around)
        watch.lap(Stage.SURROUNDINGS)
        for k in range(count):
            frame = first + k
            if epoch + 1 < len(parts.epochs) and parts.epoch_frames[epoch + 1] <= frame:
                epoch += 1
                recorder.enter(parts.epochs[epoch])
            if frame > 0:
                asked, expected = reference.frame(frame)
                if expected is not path.expected_rad:
                    path = _Path(asked, expected, parts)
            watch.lap(Stage.CONTROL)
            if abs(around.resonance[k] - warmed_by) > RESONANCE_STEP:
                warmed_by = float(around.resonance[k])
                fleet = warmed(parts.fleet, parts.population, warmed_by, parts.drive)
            if len(noise):
                kernels.amplifier_noise(
                    noise, parts.mirrors, frame, parts.seed, int(Stream.AMPLIFIER)
                )
            here = (
                asked,
                around.acceleration[k * n : (k + 1) * n + 1],
                around.rest[k],
                around.rest[k + 1],
                around.gain[k],
                around.gain[k + 1],
                noise,
                fleet,
                parts.drive,
            )
            state = (tilt, rate, volt, stops, history)
            history[0] = tilt
            now = n if lag else change
            older, newer = waiting[0], waiting[1] if lag else waiting[0]
            _advance(kernels, state, 0, now, here, older, newer, change if lag else n)
            watch.lap(Stage.PLANT)

            origin = path.origin_px if search is None else path.origin_of(search.offset_px, parts)
            shift = around.sensor[k * n : (k + 1) * n + 1]
            kernels.spot_paths(
                position, history, shift, samples,
                at_once if parts.row_s == 0 else _delay_ticks(origin, parts),
                parts.scale_px_per_rad, origin,
            )  # fmt: skip
            seen = (position, frame, origin, float(around.temperature[k]))
            spots = parts.eye.read(*seen)
            spot_px, status = origin + spots.spot_px, spots.status
            if search is not None:
                look = partial(_fields, parts.eye, seen)
                spot_px, status = search.judge(spot_px, status, path.expected_px, look)
            if frame in pictures:
                pixels = parts.eye.frames(*seen).astype(np.uint16)
                kept.append((pictures[frame], frame, pixels))
            watch.lap(Stage.CAMERA)
            measured = spot_px / parts.scale_px_per_rad
            control, correction = parts.controller.step(
                control, TiltReading(measured, status), path.setpoint
            )
            waiting.append(np.ascontiguousarray(correction.T))
            waiting.pop(0)
            watch.lap(Stage.CONTROL)
            if not lag:
                _advance(kernels, state, now, n, here, waiting[0], waiting[0], n)
                watch.lap(Stage.PLANT)
            recorder.frame(frame, history, measured, status, correction)
            watch.lap(Stage.RECORDING)
            if frame == 0:
                watch.set_aside()
        if progress is not None:
            progress(first + count)
    shape = (0, m, *parts.eye.window_px)
    images = SpotImages(
        tuple(text for text, _, _ in kept),
        np.array([frame * clock.frame_s for _, frame, _ in kept]),
        np.stack([pixels for _, _, pixels in kept]) if kept else np.zeros(shape, np.uint16),
    )
    searched = np.zeros(m, np.int32) if search is None else search.frames
    return LoopResult(recorder.traces(stops, searched), images, surroundings.sway_m, watch.spent())


class _Path:
    """What follows from the commanded path of a frame, and stays while it stays."""

    def __init__(self, asked_rad: Array, expected_rad: Array, parts: Parts) -> None:
        ahead = asked_rad[-1].T
        limit = parts.drive_limit_rad
        self.expected_rad = expected_rad
        self.setpoint = Setpoint(
            expected_rad,
            np.ascontiguousarray(-limit - ahead),
            np.ascontiguousarray(limit - ahead),
        )
        self.expected_px = parts.scale_px_per_rad * expected_rad
        self.origin_px = window_origin(self.expected_px, parts.eye.window_px)

    def origin_of(self, offset_px: Array, parts: Parts) -> Array:
        """Return the corners (M, 2) of windows that stand away from the expected spots. [px]"""
        return window_origin(self.expected_px + offset_px, parts.eye.window_px)


def _delay_ticks(origin: Array, parts: Parts) -> Array:
    """How much later than the frame each mirror's exposure starts, (M,). [tick]"""
    eye = parts.eye
    middle = origin[:, 1] + eye.centre_px[:, 1] + 0.5 * (eye.window_px[0] - 1)
    return row_delay_s(parts.row_s, middle, eye.layout.shape[0]) / parts.clock.tick_s


def _fields(eye: Eye, seen: tuple[Any, ...], which: NDArray[np.int64]) -> NDArray[np.int32]:
    return eye.fields(which, *seen)


def _advance(
    kernels: ModuleType, state: tuple[Any, ...], first: int, last: int, here: tuple[Any, ...],
    before: Array, after: Array, change: int,
) -> None:  # fmt: skip
    asked, *around = here
    kernels.advance(*state, first, last, asked, before, after, change, *around)


def _volts(asked_rad: Array, parts: Parts) -> Array:
    """Drive voltages (2, M) that hold a static tilt, as believed. [V]"""
    ratio = asked_rad / parts.fleet.believed_gain
    return np.copysign(np.sqrt(np.abs(ratio)), ratio) if parts.drive.square else ratio
