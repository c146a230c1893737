"""The fused path: many frames of the whole loop in one call of a kernel.

Mirrors do not depend on each other within a run of frames, so each block of them goes through all
stages of all frames by itself, and threads meet once in many frames. The result is that of the
stages called frame by frame, bit for bit.
"""

from collections.abc import Sequence
from typing import Any

import numpy as np

from sim.camera.equivalent_noise import NO_TABLE
from sim.camera.exposure import Sampling, empty_readings
from sim.kernels.stretch import Around, Eye, Paths, Scratch, Setup, Watched
from sim.loop.frame_path import FramePath
from sim.loop.parts import Parts
from sim.loop.recorder import Recorder
from sim.loop.stages import beyond_table
from sim.loop.surroundings import Environment
from sim.mirror.motion import Motion
from sim.mirror.propagator import Fleet
from sim.ports import Array, InNumbers, Law, LawState
from sim.rng import Stream

HISTORIES = 32
"""Frames that mirrors go through before their connections do. More would leave the processor's own
cache, fewer let threads wait for each other more often."""


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
        self._still: tuple[FramePath, Paths] | None = None
        self._law, self._memory = _law_of(parts.controller, control, m)
        at_once = np.zeros(0)
        self._sampling = Sampling(
            parts.exposure_weights @ np.arange(n + 1.0), at_once, parts.scale_px_per_rad
        )
        self._scratch = Scratch(
            np.zeros((HISTORIES, n + 1, 2, m)),
            np.zeros((n, 2, m), np.float32),
            np.zeros((len(parts.exposure_weights), 2, m)),
            np.zeros((m, *measurement.window_px), np.int32),
            np.zeros((3, m), np.int64),
            empty_readings(m),
            np.zeros((2, m)),
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
        parts, recorder = self._parts, self._recorder
        n = parts.clock.ticks_per_frame
        ticks = slice(k * n, (k + count) * n + 1)
        setup = Setup(
            parts.seed, int(Stream.AMPLIFIER), parts.mirrors, fleet, parts.drive,
            self._eye(around.temperature[k : k + count]),
        )  # fmt: skip
        surroundings = Around(
            first_frame,
            around.acceleration[ticks],
            around.sensor[ticks],
            around.rest[k : k + count + 1],
            around.gain[k : k + count + 1],
        )
        watched = Watched(
            recorder.aim_rad, parts.tolerance_rad, recorder.epoch.pairs, recorder.epoch.form_db,
            parts.outage_db, recorder.errors, recorder.losses, recorder.readings,
        )  # fmt: skip
        parts.kernels.run_frames(
            setup, self._path(paths), surroundings, self._motion, self._law, self._memory, watched,
            self._scratch,
        )  # fmt: skip
        beyond = self._scratch.beyond
        if beyond.max() >= 0:
            first = int(beyond[beyond >= 0].min())
            raise beyond_table(parts, int((beyond == first).argmax()), first)

    def _path(self, paths: Sequence[FramePath]) -> Paths:
        """Return the paths as the kernel takes them; the last that stood still is remembered."""
        if len(paths) > 1:
            return _stacked(paths)
        if self._still is None or self._still[0] is not paths[0]:
            self._still = paths[0], _stacked(paths)
        return self._still[1]

    def _eye(self, temperature_k: Array) -> Eye:
        """The camera, frame by frame at its temperature."""
        measurement = self._parts.measurement
        values, at = np.unique(temperature_k, return_inverse=True)
        cameras = [measurement.uniform(float(value)) for value in values]
        return Eye(
            self._sampling,
            measurement.camera,
            np.array([camera.sigma_px for camera in cameras])[at],
            np.array([camera.background_e for camera in cameras])[at],
            measurement.noise,
            measurement.threshold_dn,
            False,
            measurement.rule,
            measurement.table is not None,
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
