"""What follows from the commanded path in one frame: set points, limits and windows."""

from typing import NamedTuple

import numpy as np

from sim.camera.settings import window_origin
from sim.foundations.ports import Array, Setpoint
from sim.loop.parts import Parts
from sim.loop.plan import Stretch
from sim.loop.reference import ReferenceState
from sim.loop.sight import expected_px


class FramePath(NamedTuple):
    """The commanded path in one frame, or in many if the mirrors are to be at rest."""

    asked_rad: Array
    """(N, 2, M) static tilt that the drive is asked for in each tick, or (1, 2, M) in all. [rad]"""
    setpoint: Setpoint
    expected_px: Array
    """(M, 2) expected spots, against that of an untilted mirror. [px]"""
    origin_px: Array
    """(M, 2) corners of windows at the expected spots. [px]"""


def paths_ahead(
    parts: Parts, state: ReferenceState, stretch: Stretch
) -> tuple[ReferenceState, tuple[FramePath, ...]]:
    """Return the paths of a stretch of frames, one of them if it holds for all.

    The state is that of the reference at the start of the stretch, the returned one at its end.
    """
    paths: list[FramePath] = []
    for frame in range(stretch.first, stretch.end):
        still = parts.reference.next_move(state, frame) >= stretch.end
        state, asked_rad, expected_rad = parts.reference.frame(state, frame)
        paths.append(frame_path(asked_rad, expected_rad, parts))
        if still:
            break
    alike = stretch.frames - len(paths) if len(paths) > 1 else 0
    return state, (*paths, *[paths[-1]] * alike)


def frame_path(asked_rad: Array, expected_rad: Array, parts: Parts) -> FramePath:
    """Return the path of a frame from what `sim.loop.reference.Reference.frame` gives."""
    ahead = asked_rad[-1].T
    limit = parts.drive_limit_rad
    spots_px = expected_px(parts, expected_rad)
    return FramePath(
        asked_rad,
        Setpoint(
            expected_rad,
            np.ascontiguousarray(-limit - ahead),
            np.ascontiguousarray(limit - ahead),
        ),
        spots_px,
        window_origin(spots_px, parts.measurement.window_px),
    )
