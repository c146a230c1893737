"""Readings and corrections that are on their way while events make some of them late."""

import math
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.foundations.ports import Array, Lateness, SpotStatus
from sim.loop.arrivals import arrivals_of
from sim.loop.parts import Parts
from sim.mirror.motion import Motion

NEVER: Final = np.iinfo(np.int64).max
"""Frame in which something comes that does not."""
LONG_AGO: Final = -NEVER
Whole = NDArray[np.int64]


class Sent(NamedTuple):
    """The last K corrections, oldest first."""

    correction_rad: Array
    """(K, 2, M) [rad]"""
    tick: Whole
    """(K, 2, M) tick of the run at which each acts."""


class PendingReadings(NamedTuple):
    """Readings of the last D frames, oldest first, that of the present frame last."""

    spot_px: Array
    """(D, M, 2) against the spot of an untilted mirror. [px]"""
    status: NDArray[np.uint8]
    """(D, M)"""
    expected_px: Array
    """(D, M, 2) where the spots were expected. [px]"""
    reference_rad: Array
    """(D, M, 2) expected mean tilt over each exposure. [rad]"""
    comes: Whole
    """(D, M) frame in which each is at hand."""


class Pending(NamedTuple):
    """What is on its way before a frame; up to date only if `next_frame` is that frame."""

    next_frame: int
    sent: Sent
    readings: PendingReadings
    used: Whole
    """(M,) frame of the newest reading that was used."""
    corner_px: Array
    """(W, M, 2) corners of the windows that were asked for in the last frames. [px]"""


class Delivered(NamedTuple):
    """What is at hand in a frame: for each mirror the newest reading that has come, if any has."""

    came: NDArray[np.bool_]
    """(M,)"""
    spot_px: Array
    """(M, 2) NaN where none came. [px]"""
    status: NDArray[np.uint8]
    """(M,) NO_FRAME where none came."""
    expected_px: Array
    """(M, 2) [px]"""
    reference_rad: Array
    """(M, 2) [rad]"""


def lateness_of(parts: Parts) -> Lateness:
    """Return the most by which all events of a run together can make things late."""
    return Lateness(*np.sum([Lateness(), *(e.lateness for e in parts.events)], axis=0).tolist())


def settled_after(parts: Parts) -> int:
    """Return how many frames after its events a run is as if they had never made anything late."""
    if not parts.events:
        return 0
    late = lateness_of(parts)
    return _corrections(parts) + max(late.frames, late.windows) + 1


def _corrections(parts: Parts) -> int:
    """As many as it takes for the oldest to have arrived, with that of the present frame."""
    late_frames = math.ceil(lateness_of(parts).ticks / parts.clock.ticks_per_frame)
    return arrivals_of(parts).most + 2 + late_frames


def nothing_pending(parts: Parts) -> Pending:
    """Return what is pending before a run."""
    m, late = len(parts.mirrors), lateness_of(parts)
    k, d, w = _corrections(parts), late.frames + 1, late.windows + 1
    return Pending(
        -1,
        Sent(np.zeros((k, 2, m)), np.full((k, 2, m), LONG_AGO)),
        PendingReadings(
            np.full((d, m, 2), np.nan), np.full((d, m), SpotStatus.NO_FRAME, np.uint8),
            np.zeros((d, m, 2)), np.zeros((d, m, 2)), np.full((d, m), NEVER),
        ),
        np.full(m, -1, np.int64),
        np.zeros((w, m, 2)),
    )  # fmt: skip


def pending_from(parts: Parts, motion: Motion, frame: int, corner_px: Array) -> Pending:
    """Return what is pending before a frame after frames in which nothing was late."""
    fresh = nothing_pending(parts)
    waiting, n = motion.waiting, parts.clock.ticks_per_frame
    k = len(fresh.sent.tick)
    for i in range(len(waiting)):
        made = frame - len(waiting) + i
        at = k - len(waiting) + i
        fresh.sent.correction_rad[at] = waiting[i]
        fresh.sent.tick[at] = made * n + parts.delay_ticks.T
    fresh.sent.correction_rad[: k - len(waiting)] = waiting[0]
    # The oldest is in force until the next acts.
    fresh.sent.tick[: k - len(waiting) + 1] = LONG_AGO
    fresh.corner_px[:] = corner_px
    return fresh._replace(next_frame=frame, used=np.full_like(fresh.used, frame - 1))


def in_force(sent: Sent, tick: int) -> Array:
    """Return the newest corrections (2, M) that have arrived by a tick. [rad]"""
    held = sent.correction_rad[0]
    for correction, at in zip(sent.correction_rad[1:], sent.tick[1:], strict=True):
        held = np.where(at <= tick, correction, held)
    return np.ascontiguousarray(held)


def send(sent: Sent, correction: Array, tick: Whole) -> None:
    """Put a correction (2, M) behind the others, in place."""
    sent.correction_rad[:-1] = sent.correction_rad[1:]
    sent.tick[:-1] = sent.tick[1:]
    sent.correction_rad[-1] = correction
    sent.tick[-1] = tick


def deliver(pending: Pending, frame: int) -> tuple[Delivered, Whole]:
    """Return what is at hand in a frame, and the frames (M,) of the newest readings used."""
    readings, used = pending.readings, pending.used
    depth, m = readings.comes.shape
    chosen = np.full(m, -1)
    for i in range(depth):
        made = frame - (depth - 1 - i)
        chosen = np.where((readings.comes[i] <= frame) & (made > used), i, chosen)
    came, at, mirror = chosen >= 0, np.maximum(chosen, 0), np.arange(m)
    found = Delivered(
        came,
        np.where(came[:, None], readings.spot_px[at, mirror], np.nan),
        np.where(came, readings.status[at, mirror], SpotStatus.NO_FRAME).astype(np.uint8),
        np.where(came[:, None], readings.expected_px[at, mirror], readings.expected_px[-1]),
        np.where(came[:, None], readings.reference_rad[at, mirror], readings.reference_rad[-1]),
    )
    return found, np.where(came, frame - (depth - 1 - at), used)


def push(readings: PendingReadings, newest: PendingReadings) -> None:
    """Put the readings of one frame, arrays of one row, behind the others, in place."""
    for name, kept in readings._asdict().items():
        kept[:-1] = kept[1:]
        kept[-1] = getattr(newest, name)[0]
