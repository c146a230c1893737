"""The fused path: many frames of the whole loop in one call of a kernel.

Mirrors do not depend on each other within a run of frames, so each block of them goes through all
stages of all frames by itself, and threads meet once in many frames. The result is that of the
stages called frame by frame, bit for bit.
"""

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.camera.equivalent_noise import NO_TABLE
from sim.loop.frame_path import FramePath
from sim.loop.parts import Parts
from sim.loop.recorder import Recorder
from sim.loop.stages import beyond_table
from sim.loop.state import Motion
from sim.loop.surroundings import Environment
from sim.mirror.propagator import Fleet
from sim.ports import Array, InNumbers, Law, LawState
from sim.rng import Stream

HISTORIES = 32
"""Frames that mirrors go through before their connections do. More would leave the processor's own
cache, fewer let threads wait for each other more often."""


class _Timing(NamedTuple):
    """When things happen in a frame."""

    change_tick: int
    """Tick at which a correction takes over."""
    samples: Array
    """(S,) samples of the exposure. [tick]"""
    delays: Array
    """Empty: all exposures start with the frame. [tick]"""
    scale_px_per_rad: float


class _Path(NamedTuple):
    """Commanded paths of F frames, or of one that holds for all."""

    asked_rad: Array
    """(F, N, 2, M), or (F, 1, 2, M) where it holds for all ticks."""
    reference_rad: Array
    """(F, 2, M), as the two below."""
    lowest_rad: Array
    highest_rad: Array
    origin_px: Array
    """(F, 2, M)"""


class _Key(NamedTuple):
    seed: int
    amplifier: int
    pixels: int
    readings: int


class _Environment(NamedTuple):
    acceleration: Array
    sensor: Array
    rest: Array
    gain: Array


class _Measuring(NamedTuple):
    drawn: bool
    noise: int
    threshold_dn: int
    min_flux_dn: float
    edge_px: float


class _Seen(NamedTuple):
    sigma_px: Array
    background_e: Array


class _Scratch(NamedTuple):
    history: Array
    noise: NDArray[np.float32]
    position: Array
    frames: NDArray[np.int32]
    sums: NDArray[np.int64]
    spot: Array
    tilt: Array
    flux: Array
    status: NDArray[np.uint8]
    z: NDArray[np.float32]
    beyond: NDArray[np.int64]


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
    if parts.search is not None:
        found.append("lost spots are searched for")
    if parts.row_s > 0:
        found.append("rows start one after the other")
    if not _in_numbers(parts.controller):
        found.append("the controller is stepped in Python")
    return tuple(found)


def _in_numbers(controller: Any) -> bool:
    """Whether the law that a controller states is its own, not that of a base it departs from."""
    if not isinstance(controller, InNumbers):
        return False

    def owner(name: str) -> type:
        return next(kind for kind in type(controller).__mro__ if name in vars(kind))

    return owner("step") is owner("in_numbers")


def _law_of(controller: Any, control: Any, m: int) -> tuple[Law, LawState]:
    """What a controller states of itself; the kernel cannot check what it is given."""
    law, memory = controller.in_numbers(control)
    n = len(law.sections)
    wanted = {"integral_rad": (2, m), "correction_rad": (2, m), "filters_rad": (n, 2, 2, m)}
    given = {name: getattr(memory, name) for name in wanted} | {"sections": law.sections}
    for name, shape in (wanted | {"sections": (n, 2, 5)}).items():
        array = given[name]
        if array.shape != shape or array.dtype != np.float64 or not array.flags.c_contiguous:
            raise ValueError(
                f"in_numbers: {name} must be contiguous float64 {shape}, got {array.dtype} "
                f"{array.shape}"
            )
    return law, memory


class Fused:
    """Takes the loop through many frames at a time."""

    def __init__(self, parts: Parts, motion: Motion, recorder: Recorder, control: Any) -> None:
        n, m = parts.clock.ticks_per_frame, len(parts.mirrors)
        measurement = parts.measurement
        self._parts = parts
        self._motion = motion
        self._recorder = recorder
        self._traces = recorder.for_kernels()
        self._still: tuple[FramePath, _Path] | None = None
        self._law, self._memory = _law_of(parts.controller, control, m)
        streams = (Stream.AMPLIFIER, Stream.PIXELS, Stream.READINGS)
        self._key = _Key(parts.seed, *(int(stream) for stream in streams))
        self._samples = parts.exposure_weights @ np.arange(n + 1.0)
        self._at_once = np.zeros(0)
        read = measurement.fused or {"threshold_dn": 0, "min_flux_dn": 0.0, "edge_px": 0.0}
        self._measurement = _Measuring(
            measurement.table is not None,
            measurement.noise,
            int(read["threshold_dn"]),
            float(read["min_flux_dn"]),
            float(read["edge_px"]),
        )
        self._table = NO_TABLE if measurement.table is None else measurement.table
        self._scratch = _Scratch(
            np.zeros((HISTORIES, n + 1, 2, m)),
            np.zeros((n, 2, m), np.float32),
            np.zeros((len(parts.exposure_weights), 2, m)),
            np.zeros((m, *measurement.window_px), np.int32),
            np.zeros((3, m), np.int64),
            np.zeros((2, m)),
            np.zeros((2, m)),
            np.zeros(m),
            np.zeros(m, np.uint8),
            np.zeros((1, 2, m), np.float32),
            np.full(m, -1),
        )

    @property
    def position_px(self) -> Array:
        """(S, 2, M) paths of the spots over the last exposure, in their windows. [px]"""
        return self._scratch.position

    def run(
        self, first_frame: int, k: int, around: Environment, paths: Sequence[FramePath], count: int,
        fleet: Fleet,
    ) -> None:  # fmt: skip
        """Run `count` frames, the first being the k-th of the block that `around` is of.

        `paths` has one entry that holds for all frames, or one for each.
        """
        parts, recorder, motion = self._parts, self._recorder, self._motion
        n = parts.clock.ticks_per_frame
        ticks = slice(k * n, (k + count) * n + 1)
        path = self._path(paths)
        parts.kernels.run_frames(
            first_frame,
            count,
            self._key,
            parts.mirrors,
            motion.moving,
            motion.waiting,
            _Timing(
                motion.change_tick,
                self._samples,
                self._at_once,
                parts.scale_px_per_rad,
            ),
            path,
            _Environment(
                around.acceleration[ticks],
                around.sensor[ticks],
                around.rest[k : k + count + 1],
                around.gain[k : k + count + 1],
            ),
            fleet,
            parts.drive,
            parts.measurement.camera,
            self._measurement,
            self._table,
            self._seen(around.temperature[k : k + count]),
            self._law,
            self._memory,
            self._scratch,
            recorder.aim_rad,
            parts.tolerance_rad,
            recorder.epoch.pairs,
            recorder.epoch.form_db,
            parts.outage_db,
            self._traces,
        )
        beyond = self._scratch.beyond
        if beyond.max() >= 0:
            first = int(beyond[beyond >= 0].min())
            raise beyond_table(parts, int((beyond == first).argmax()), first)

    def _path(self, paths: Sequence[FramePath]) -> _Path:
        """Return the paths as the kernel takes them; the last that stood still is remembered."""
        if len(paths) > 1:
            return _stacked(paths)
        if self._still is None or self._still[0] is not paths[0]:
            self._still = paths[0], _stacked(paths)
        return self._still[1]

    def _seen(self, temperature_k: Array) -> _Seen:
        """What temperature changes in the camera, frame by frame."""
        values, at = np.unique(temperature_k, return_inverse=True)
        cameras = [self._parts.measurement.uniform(float(value)) for value in values]
        return _Seen(
            np.array([camera.sigma_px for camera in cameras])[at],
            np.array([camera.background_e for camera in cameras])[at],
        )


def _stacked(paths: Sequence[FramePath]) -> _Path:
    asked = [path.asked_rad for path in paths]
    longest = max(each.shape for each in asked)
    return _Path(
        np.stack([np.broadcast_to(each, longest) for each in asked]),
        _mirrors_last([path.setpoint.reference_rad for path in paths]),
        _mirrors_last([path.setpoint.lowest_rad for path in paths]),
        _mirrors_last([path.setpoint.highest_rad for path in paths]),
        _mirrors_last([path.origin_px for path in paths]),
    )


def _mirrors_last(each: Sequence[Array]) -> Array:
    """Turn F arrays (M, 2) into one (F, 2, M)."""
    return np.ascontiguousarray(np.stack(each).transpose(0, 2, 1))
