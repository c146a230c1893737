"""Settling of every mirror after the last command, from the linear loop and the shaped path."""

from collections.abc import Mapping
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from scipy.special import ndtr

from controllers.analysis.linear_loop import ClosedLoop, Loop, close
from sim.assembly.build import Built
from sim.foundations.ports import Array
from sim.results.hold import hold_of
from sim.studies.margins.move import INSTANTS, Move, moved_of
from sim.studies.margins.plant import TrueMirrors

STANDING_FRAMES: Final = 400
"""Followed before the command; a loop that has not come to rest by then is a slow one."""
MODEL_ERROR: Final = 0.15
"""Of a predicted settling time, both ways, on top of what the noise makes of it: what plants drawn
at random needed, by `tests/benchmarks/held_out.py`; see docs/loops.md. [-]"""
LEVELS: Final = (0.05, 0.25, 0.5, 0.75, 0.9, 0.97, 0.99, 0.997, 0.999, 0.9997)
"""Chances that the noise of one mirror is no larger, at which settling is worked out. [-]"""
SLOWEST: Final = (0.05, 0.5, 0.95)
REST_RAD: Final = 1e-9
"""An error whose readings differ by less has come to rest. [rad]"""
REST_FRAMES: Final = 200
"""Frames over which they must."""


class Left(NamedTuple):
    """What the last move leaves of the error in the hold interval, without noise; (M, 2) each.

    Of several moves within the interval it is the last one alone.
    """

    square_rad2: Array
    """Mean square. [rad^2]"""
    jitter_rad2: Array
    """Mean square about the mean: what still decays or rings. [rad^2]"""


class Settled(NamedTuple):
    """The prediction, mirror by mirror."""

    settling_s: Array
    """(M,) after the command, the median over the noise; infinite where the error does not come
    down. [s]"""
    slowest_s: Array
    """(3,) settling of the slowest mirror: 5 %, median and 95 % of what the noise makes of it.
    [s]"""
    slowest: int
    """The mirror that is the slowest most often, by its place."""
    left: Left
    """What the move leaves in the hold interval."""


class Followed(NamedTuple):
    """A loop after the last command, without noise."""

    error_rad: Array
    """(K, J, M, 2) [rad]"""
    correction_rad: Array
    """(K, M, 2) [rad]"""
    states: Array
    """(M, n, 1) of the closed loops, a frame after the last of these."""


def followed(move: Move, loop: Loop) -> Followed:
    """Return what a loop makes of the last command."""
    return _followed(move, loop, _standing(close(loop), move), move.error_rad, move.mismatch_rad)


def _followed(move: Move, loop: Loop, x: Array, error_rad: Array, mismatch_rad: Array) -> Followed:
    closed, control = close(loop), loop.controller
    frames, _, m, _ = error_rad.shape
    p = loop.plant.model.A.shape[-1]
    states, corrections = [], []
    for d in mismatch_rad:
        e = -(closed.Y @ x + d[..., None])
        states.append(x[:, : 2 * p, 0])
        corrections.append((control.C @ x[:, 2 * p :] + control.D @ e)[..., 0])
        x = closed.A @ x + closed.N @ d[..., None]
    held = np.stack(states).reshape(frames, m, 2, p)
    correction = np.stack(corrections)
    sent = np.einsum("mab,kmb->kma", loop.plant.mix, correction)
    error = error_rad.copy()
    for j, (row, now) in enumerate(move.rows):
        error[:, j] += np.einsum("map,kmap->kma", row[..., 0, :], held) + now[..., 0, 0] * sent
    return Followed(error, correction, x)


def left_of(built: Built, move: Move, loop: Loop, after: Followed | None = None) -> Left:
    """Return what a move leaves in the hold interval under stable loops.

    Followed frame by frame until it rests within `REST_RAD`, or the interval ends; what has come to
    rest counts for the frames that remain, and for those of the interval before the command.

    Parameters
    ----------
    built : Built
        The scenario.
    move : Move
        From `move_of`.
    loop : Loop
        Stable loops around its mirrors.
    after : Followed, optional
        `followed(move, loop)`, if it is there.
    """
    after = after or followed(move, loop)
    clock, moved_frame = built.parts.clock, built.parts.epoch_frames[-1]
    hold = hold_of(built.resolved.metrics, 1e3 * clock.n_frames * clock.frame_s)
    first = round(hold.from_s / clock.frame_s) - moved_frame
    before, first = max(-first, 0), max(first, 0)
    end = max(round(hold.to_s / clock.frame_s) - moved_frame, first + 1)
    error, x, start = after.error_rad, after.states, 0
    total, square, shift, seen = 0.0, 0.0, error[-1].mean(axis=0), 0
    while True:
        part = error[max(first - start, 0) : end - start] - shift
        total, square = total + part.sum(axis=(0, 1)), square + (part**2).sum(axis=(0, 1))
        seen, start = seen + part.shape[0], start + len(error)
        rests = float(np.ptp(error[-REST_FRAMES:], axis=(0, 1)).max()) < REST_RAD
        if start >= end or rests:
            break
        more = min(end - start, REST_FRAMES)
        standing = (np.repeat(a[-1:], more, axis=0) for a in (move.error_rad, move.mismatch_rad))
        error, _, x = _followed(move, loop, x, *standing)
    still, frames = end - first - seen + before, end - first + before
    last = error[-1].mean(axis=0) - shift
    j = error.shape[1]
    mean = (total / j + still * last) / frames
    power = (square / j + still * last**2) / frames
    return Left(power + 2 * shift * mean + shift**2, np.maximum(power - mean**2, 0.0))


def settle(
    built: Built, move: Move, loop: Loop, variance_rad2: Array, mirrors: TrueMirrors | None = None
) -> Settled:
    """Return settling after the last command under a loop, its noise counted.

    The error must stay within the tolerance for the dwell, noise and all. The chance of that is
    that of no frame's noise being too large, each frame of the dwell taken as a draw of its own:
    along the error where there is one, else radially. If it fails, the next dwell is another
    attempt. A mirror's settling is the median; the slowest of all has the whole distribution.

    Parameters
    ----------
    built : Built
        The scenario.
    move : Move
        From `move_of`.
    loop : Loop
        Stable loops around its mirrors.
    variance_rad2 : (M, 2) ndarray
        Variance of the pointing error under this loop. [rad^2]
    mirrors : TrueMirrors, optional
        Of move and loop, where they are not the scenario's own.
    """
    after = followed(move, loop)
    at_level = levels_of(built, after, variance_rad2, mirrors)
    slowest_s, which = slowest_interval(at_level)
    left = left_of(built, move, loop, after)
    return Settled(at_level[LEVELS.index(0.5)], slowest_s, which, left)


def levels_of(
    built: Built, after: Followed, variance_rad2: Array, mirrors: TrueMirrors | None = None
) -> Array:
    """Return the settling (L, M) that each mirror keeps with each chance of `LEVELS`. [s]

    Dwells are independent attempts. Parameters as those of `settle`.
    """
    parts, error = built.parts, after.error_rad
    _, _, m, _ = error.shape
    frame_s, tolerance = parts.clock.frame_s, parts.tolerance_rad
    dwell_s = 1e-3 * built.resolved.metrics.dwell_ms
    draws = max(dwell_s / frame_s, 1.0)
    sigma = np.sqrt(variance_rad2.mean(axis=-1))
    size = np.hypot(*np.moveaxis(error, -1, 0)).reshape(-1, m)
    step_s = frame_s / INSTANTS
    d = max(int(np.ceil(dwell_s / step_s)), 1)
    if d > len(size):  # a dwell longer than what is followed of a move: never
        largest = np.full((1, m), np.inf)
    else:
        largest = sliding_window_view(size, d, axis=0).max(axis=-1)
    spare = (tolerance - largest) / np.maximum(sigma, 1e-30)
    each = np.minimum(ndtr(spare), -np.expm1(-0.5 * (tolerance / np.maximum(sigma, 1e-30)) ** 2))
    late = np.log1p(-np.minimum(np.maximum(each, 0.0) ** draws, 1.0 - 1e-12))
    for first in range(d, len(late), d):  # each attempt after those of whole dwells before it
        late[first : first + d] += late[first - d : first][: len(late) - first]
    done = -np.expm1(np.minimum.accumulate(late, axis=0))
    at_level = np.empty((len(LEVELS), m))
    for i, level in enumerate(LEVELS):
        there = done >= level
        at_level[i] = np.where(there[-1], there.argmax(axis=0) * step_s, np.inf)
    moved = moved_of(built)
    at_level[:, ~(moved if mirrors is None else moved[mirrors.place])] = 0.0
    return at_level


def slowest_interval(settling_s: Array) -> tuple[Array, int]:
    """Return 5 %, median and 95 % of the largest of M settling times, and who it most often is.

    The mirrors' noises are independent, so the chance that all have settled by a time is the
    product of theirs.

    Parameters
    ----------
    settling_s : (L, M) ndarray
        Settling that each mirror keeps with a chance of `LEVELS`. [s]
    """
    # Between two levels the chance of being late is their geometric mean; above the last, none.
    late = 1.0 - np.array([0.0, *LEVELS])
    chance = np.log1p(-np.append(np.sqrt(late[1:-1] * late[2:]), 0.0))
    chance = np.concatenate([[np.log(LEVELS[0] / 2)], chance])
    times = np.unique(settling_s[np.isfinite(settling_s)])
    found = np.full(len(SLOWEST), np.inf)
    if not len(times):
        return found, 0
    kept = np.stack([np.searchsorted(np.sort(column), times, side="right")
                     for column in settling_s.T], axis=-1)  # fmt: skip
    each = chance[kept]
    together = each.sum(axis=-1)
    for i, share in enumerate(SLOWEST):
        done = together >= np.log(share)
        if done.any():
            found[i] = times[done.argmax()]
    middle = (together >= np.log(0.5)).argmax() if np.isfinite(found[1]) else -1
    before = max(middle - 1, 0) if middle >= 0 else -1
    return found, int(each[before].argmin())


def _standing(closed: ClosedLoop, move: Move) -> Array:
    """Return the states (M, n, 1) at the command: what the loop made of the mismatch before it."""
    x = np.zeros((*closed.A.shape[:2], 1))
    step = closed.N @ move.standing_rad[..., None]
    for _ in range(min(move.standing_frames, STANDING_FRAMES)):
        x = closed.A @ x + step
    return x


def settling_band_ms(interval_ms: tuple[float, float], frame_ms: float) -> tuple[float, float]:
    """Return the simulated settling of the slowest mirror that agrees with a prediction. [ms]

    5 % to 95 % of what the noise makes of it, widened by `MODEL_ERROR` and by one frame.
    """
    low, high = interval_ms
    return max((1 - MODEL_ERROR) * low - frame_ms, 0.0), (1 + MODEL_ERROR) * high + frame_ms


def settling_agrees(band_ms: tuple[float, float] | None, settling: Mapping[str, Any]) -> bool:
    """Whether simulated settling, as in results.json, is within a band; true without either."""
    if band_ms is None or not settling["count"]:
        return True
    if settling["unsettled"] or settling["max_ms"] is None:
        return False
    return bool(band_ms[0] <= settling["max_ms"] <= band_ms[1])


def ringing_of(built: Built, move: Move) -> Array:
    """Return settling (M,) of the shaped path and the ringing after it, without corrections. [s]

    What the calibration leaves and all noise are away. A loop shortens the ringing where the
    frame rate shows it, and lengthens it elsewhere.
    """
    parts = built.parts
    ringing = move.error_rad - move.error_rad[-20:].mean(axis=(0, 1))
    size = np.hypot(*np.moveaxis(ringing, -1, 0)).reshape(-1, ringing.shape[2])
    dwell_s = 1e-3 * built.resolved.metrics.dwell_ms
    return _first_dwell(size <= parts.tolerance_rad, dwell_s, parts.clock.frame_s / INSTANTS)


def _first_dwell(inside: NDArray[np.bool_], dwell_s: float, step_s: float) -> Array:
    """Return when each mirror (M,) first is inside for a whole dwell; infinite if never. [s]"""
    d = max(int(np.ceil(dwell_s / step_s)), 1)
    out = np.concatenate([np.zeros((1, inside.shape[1])), np.cumsum(~inside, axis=0)])
    whole = out[d:] == out[:-d]
    return np.where(whole.any(axis=0), whole.argmax(axis=0) * step_s, np.inf)
