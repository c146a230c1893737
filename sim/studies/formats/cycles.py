"""The integer loop without noise: does it come to rest, and if not, how far does it swing."""

from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from controllers.analysis.linear_loop import plant_matrices
from sim.assembly.build import Built
from sim.firmware.codes import CodedDrive, codes_of
from sim.firmware.controller import FixedController
from sim.firmware.fixed_law import fixed_hand_over, fixed_step
from sim.firmware.rounding import Rounding, shifted
from sim.firmware.spots.estimator import FixedEstimator
from sim.firmware.ties import law_of_rows
from sim.studies.margins.plant import plant_of

MIRRORS: Final = 12
"""Played, spread evenly over the fleet."""
STARTS: Final = 24
"""Of each of them: shifts that the loop has to take out, spread over two units of position."""
FRAMES: Final = 1500
WATCHED: Final = 400
FINER: Final = 12
"""Bits that a true position has before it is rounded to a word, beyond the word's own."""


class LoopCycles(NamedTuple):
    """What the loops do without noise, in the end."""

    plays: int
    """Mirrors times starts times axes."""
    cycling: int
    """Of them, those whose code still changes."""
    largest_rad: float
    """Largest peak-to-peak swing of the tilt at the readings. [rad]"""
    typical_rad: float
    """Median of those that cycle; 0 if none does. [rad]"""
    period_frames: int | None
    """Of the largest, from the first return of its codes; None if it does not return."""
    codes: int
    """Largest peak-to-peak change of a code."""
    offset_rad: float
    """Largest mean error that is left. [rad]"""
    unit_rad: float
    """One unit of positions, as tilt. [rad]"""
    code_rad: float
    """Largest tilt of one code. [rad]"""


def loop_cycles(built: Built) -> LoopCycles | None:
    """Play the linear mirrors with the integer law and whole codes, from many starts.

    A true position is rounded to a word as the estimator rounds; its pixels are not played, for
    without noise they say the same again. Each start is a shift of the reading that the loop has to
    take out, of a part of a unit, so that all places between two words and two codes come up.
    Return None if the controller is not in whole numbers.
    """
    controller: Any = built.parts.controller
    coded = built.parts.coded
    if not isinstance(controller, FixedController) or coded is None:
        return None
    mirrors = built.parts.mirrors
    chosen = np.unique(np.linspace(0, len(mirrors) - 1, MIRRORS).astype(int))
    which = np.repeat(chosen, STARTS)
    return _played(built, controller, coded, which)


def _played(
    built: Built, controller: FixedController, coded: CodedDrive, which: NDArray[np.int64]
) -> LoopCycles:
    law, scale = controller.law, controller.scale_px_per_rad
    plant = plant_of(built)
    A, B, C = (part[which] for part in plant_matrices(plant))
    m = len(which)
    own = law_of_rows(law, which)
    words = coded.words._replace(per_px=coded.words.per_px[:, which])
    drive = CodedDrive(
        words, scale_px_per_rad=scale, believed_gain=built.parts.fleet.believed_gain[:, which],
        drive=built.parts.drive,
    )  # fmt: skip
    estimator: Any = built.parts.measurement.estimator
    fixed = isinstance(estimator, FixedEstimator)
    fraction = estimator.words.verdict.position.fraction if fixed else law.formats.position.fraction
    rounding = Rounding(built.resolved.estimator["arithmetic"]["rounding"]) if fixed else (
        Rounding.EVEN
    )  # fmt: skip
    aim = built.parts.epochs[-1].aim_rad[which]
    path = np.rint(np.ldexp(aim.T * scale, words.fraction)).astype(np.int64)
    at_path = drive.tilt_rad(codes_of(words, path)).T
    shares = (np.arange(STARTS) + 0.5) / STARTS - 0.5
    unit_rad = 2.0**-fraction / scale
    shift = np.tile(shares, m // STARTS)[:, None] * np.array([2.0, 2.0]) * unit_rad
    state = fixed_hand_over(own, np.zeros((m, 2), np.int64))
    limit = np.full((m, 2), law.formats.correction.highest)
    x = np.zeros((m, A.shape[-1], 1))
    tilts, codes = np.empty((WATCHED, m, 2)), np.empty((WATCHED, m, 2), np.int64)
    seen = np.ones((m, 2), bool)
    for k in range(FRAMES):
        tilt = (C @ x)[..., 0]
        fine = np.rint(np.ldexp((tilt + shift) * scale, fraction + FINER)).astype(np.int64)
        position = shifted(fine, FINER, rounding) << (law.formats.position.fraction - fraction)
        state = fixed_step(own, state, -position, seen, -limit, limit)
        code = codes_of(words, path + state.correction.T)
        x = A @ x + B @ (drive.tilt_rad(code).T - at_path)[..., None]
        if k >= FRAMES - WATCHED:
            tilts[k - FRAMES + WATCHED], codes[k - FRAMES + WATCHED] = tilt, code.T
    swing = np.ptp(tilts, axis=0)
    moves = np.ptp(codes, axis=0)
    largest = np.unravel_index(int(np.argmax(np.where(moves > 0, swing, -1.0))), swing.shape)
    error = (tilts + shift).mean(axis=0)
    cycling = moves > 0
    step = drive.tilt_rad(np.ones((2, 1), np.int64) + codes_of(words, path)) - drive.tilt_rad(
        codes_of(words, path)
    )
    return LoopCycles(
        swing.size, int(cycling.sum()), float(swing[cycling].max(initial=0.0)),
        float(np.median(swing[cycling])) if cycling.any() else 0.0,
        _period(codes[:, largest[0]]) if cycling.any() else None,
        int(moves.max()), float(np.abs(error).max()), unit_rad, float(np.abs(step).max()),
    )  # fmt: skip


def _period(codes: NDArray[np.int64]) -> int | None:
    """Return after how many frames (N, 2) codes repeat, up to half of those watched."""
    for n in range(1, len(codes) // 2 + 1):
        if (codes[n:] == codes[:-n]).all():
            return n
    return None
