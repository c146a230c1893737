"""A stretch of frames in which events act: frame by frame, and where they cut one, piece by piece.

Events follow from the number of the frame; what they make late is in `sim.loop.pending`.
"""

from collections.abc import Iterator
from functools import partial
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.camera.search import SearchState
from sim.foundations.ports import Array, Faults, SpotStatus, TiltReading
from sim.kernels.stretch import ObservedLimits
from sim.loop.arrivals import reading_tick
from sim.loop.faults import faults_of, rows_hit
from sim.loop.frame_path import FramePath
from sim.loop.outlook import Outlook
from sim.loop.parts import Parts
from sim.loop.pending import (
    NEVER,
    Pending,
    PendingReadings,
    Sent,
    deliver,
    in_force,
    pending_from,
    push,
    send,
)
from sim.loop.recorder import note_frame
from sim.loop.sight import measured_rad
from sim.loop.stages import Exposure, FrameByFrame, asked_corner, pictures_of
from sim.loop.state import LoopState, copy_state
from sim.loop.stopwatch import Laps, TimedStage, lap
from sim.loop.surroundings import Environment
from sim.mirror.motion import Asked, Forcing, Moving
from sim.mirror.propagator import Fleet

Flags = NDArray[np.bool_]
FAR_RAD: Final = 1e3
"""Asked of a drive that is pulled: cut off at its last code."""


class _Frame(NamedTuple):
    """One frame as its pieces are moved through."""

    first_tick: int
    path: FramePath
    faults: Faults
    forcing: Forcing
    fleet: Fleet


class UnderEvents(FrameByFrame):
    """Takes the loop through frames in which events act."""

    def __init__(self, parts: Parts) -> None:
        super().__init__(parts)
        top = parts.drive.lsb_v * np.array([parts.drive.codes, parts.drive.codes - 1.0])
        self._full = top**2 if parts.drive.square else top
        """What a channel multiplies its gain with at its last codes, down and up."""

    def run(
        self, state: LoopState, ahead: Outlook, watched: ObservedLimits, laps: Laps
    ) -> LoopState:
        """Return the state after a stretch of frames; the traces under watch are written to."""
        parts, n = self._parts, self._parts.clock.ticks_per_frame
        motion = copy_state(state.motion)
        moving, waiting = motion.moving, motion.waiting
        control, search, pictures = state.control, state.search, state.pictures
        confusion, health = state.confusion, state.health
        pending = self._pending(state, ahead)
        now = reading_tick(self._arrivals, n)
        for k in range(ahead.stretch.frames):
            frame, path = ahead.stretch.first + k, ahead.path(k)
            environment = ahead.environment.part(k, 1, n)
            faults = faults_of(parts, frame)
            forcing = _wandering(self.forcing(frame, environment), faults)
            one = _Frame(frame * n, path, faults, forcing, ahead.mirrors.fleet)
            self._history[0] = moving.tilt
            self._move(moving, one, 0, now, pending.sent)
            lap(laps, TimedStage.PLANT)
            search, pending, exposure, reading, reference, counts = self._seen(
                one, frame, environment, search, pending
            )
            if confusion is not None and counts is not None:
                confusion = confusion + counts
            lap(laps, TimedStage.CAMERA)
            setpoint = path.setpoint._replace(reference_rad=reference)
            control, correction, health = self.controlled(
                control, health, frame, reading, setpoint
            )
            waiting[:-1] = waiting[1:]
            waiting[-1] = correction.T
            late = 0 if faults.late_ticks is None else faults.late_ticks
            send(pending.sent, correction.T, frame * n + parts.delay_ticks.T + late)
            lap(laps, TimedStage.CONTROL)
            self._move(moving, one, now, n, pending.sent)
            lap(laps, TimedStage.PLANT)
            note_frame(parts, watched, frame, self._history, reading, correction)
            lap(laps, TimedStage.RECORDING)
            look = partial(parts.measurement.frames, *exposure)
            if shown := pictures_of(parts, frame, look):
                pictures += shown
                lap(laps, TimedStage.PICTURES)
            pending = pending._replace(next_frame=frame + 1)
        return state._replace(
            motion=motion, control=control, search=search, pictures=pictures, pending=pending,
            confusion=confusion, health=health,
        )

    def _pending(self, state: LoopState, ahead: Outlook) -> Pending:
        """What is on its way before the first frame, to be written to."""
        if state.pending is not None and state.pending.next_frame == state.frame:
            return copy_state(state.pending)
        corner = asked_corner(self._parts, ahead.path(0), state.search)
        return pending_from(self._parts, state.motion, state.frame, corner)

    def _move(self, moving: Moving, one: _Frame, first: int, last: int, sent: Sent) -> None:
        """Move the mirrors through some ticks of a frame."""
        drive, faults = self._parts.drive, one.faults
        for a, b, held, later, change in self._pieces(one, first, last, sent):
            pull = None if faults.pull_rad is None else faults.pull_rad[a]
            fleet = one.fleet
            if faults.gain is not None or pull is not None:
                fleet = fleet._replace(true_gain=self._gain(fleet, faults, a))
            asked = self.sent(Asked(one.path.asked_rad, held, later, change), a, b)
            asked = _with_faults(asked, faults, a)
            stuck = None if faults.stuck is None else faults.stuck[a]
            before = None if stuck is None else (moving.tilt.copy(), moving.stops.copy())
            self._parts.kernels.advance(
                moving, self._history, a, b, asked, one.forcing, fleet, drive
            )
            if stuck is not None and before is not None:
                tilt, stops = before
                moving.tilt[stuck] = tilt[stuck]
                moving.rate[stuck] = 0.0
                both = stuck.all(axis=0)
                moving.stops[both] = stops[both]
                self._history[a + 1 : b + 1, stuck] = tilt[stuck]

    def _pieces(
        self, one: _Frame, first: int, last: int, sent: Sent
    ) -> Iterator[tuple[int, int, Array, Array, int]]:
        """Yield (from tick, to tick, correction before and after a change, its tick).

        Drives and mirrors are the same throughout a piece. Where all corrections arrive together,
        the kernel makes the change within a piece, as it does without events.
        """
        arrive = sent.tick - one.first_tick
        changes = np.unique(arrive[(arrive > first) & (arrive < last)]).tolist()
        cuts = _driven_cuts(one.faults, first, last)
        if not self._arrivals.alike or len(changes) > 1:
            cuts = sorted({*cuts, *changes})
        edges = [first, *cuts, last]
        for a, b in zip(edges[:-1], edges[1:], strict=True):
            if a == b:
                continue
            inside = [tick for tick in changes if a < tick < b]
            held = in_force(sent, one.first_tick + a)
            change = inside[0] if inside else b
            later = in_force(sent, one.first_tick + change) if inside else held
            yield a, b, held, later, change

    def _gain(self, fleet: Fleet, faults: Faults, tick: int) -> Array:
        gain = fleet.true_gain if faults.gain is None else fleet.true_gain * faults.gain[tick]
        if faults.pull_rad is not None:
            pull = faults.pull_rad[tick]
            at_end = np.abs(pull) / np.where(pull < 0, *self._full)
            gain = np.where(np.isnan(pull), gain, at_end)
        return np.ascontiguousarray(gain)

    def _seen(
        self, one: _Frame, frame: int, environment: Environment, search: SearchState | None,
        pending: Pending,
    ) -> tuple[
        SearchState | None, Pending, Exposure, TiltReading, Array, Flags | None
    ]:  # fmt: skip
        """Expose and read; hand out what has come by now, what was expected of it, and counts."""
        parts, faults, path = self._parts, one.faults, one.path
        asked = asked_corner(parts, path, search)
        corner = _window_corner(pending.corner_px, asked, faults)
        light = 1.0 if faults.light is None else faults.light
        exposure, spots = self.exposed(frame, corner, environment, light)
        spot_px, status, counts = self.whose(corner, path.expected_px, spots)
        if faults.unnoticed is not None:
            spot_px = spot_px + np.where(faults.unnoticed[:, None], asked - corner, 0.0)
        if faults.bad_rows:
            hit = rows_hit(faults, parts, corner)
            spot_px = np.where(hit[:, None], np.nan, spot_px)
            status = np.where(hit, SpotStatus.BAD_ROWS, status).astype(np.uint8)
        come = np.full(len(status), frame, np.int64)
        if faults.late_frames is not None:
            come = come + faults.late_frames
        if faults.dropped is not None:
            come = np.where(faults.dropped, NEVER, come)
        expected, reference = path.expected_px, path.setpoint.reference_rad
        push(pending.readings, PendingReadings(
            spot_px[None], status[None], expected[None], reference[None], come[None]
        ))  # fmt: skip
        got, used = deliver(pending, frame)
        whole = got.came & (got.status != SpotStatus.BAD_ROWS)
        judged, spot_px, status = self.judged(
            search, got.spot_px, got.status, got.expected_px, exposure
        )
        search = _where(whole, judged, search)
        status = np.where(whole, status, got.status).astype(np.uint8)
        spot_px = np.where(whole[:, None], spot_px, np.nan)
        reading = TiltReading(measured_rad(parts, spot_px), status)
        return search, pending._replace(used=used), exposure, reading, got.reference_rad, counts


def _wandering(forcing: Forcing, faults: Faults) -> Forcing:
    if faults.rest_rad is None:
        return forcing
    start, end = faults.rest_rad
    return forcing._replace(
        rest_start_rad=forcing.rest_start_rad + start, rest_end_rad=forcing.rest_end_rad + end
    )


def _with_faults(asked: Asked, faults: Faults, tick: int) -> Asked:
    """Return what the drive does in place of what it was sent; from a tick on it is the same."""
    path, before, after = asked.path_rad, asked.before_rad, asked.after_rad
    if faults.asked_rad is not None:
        path = path + faults.asked_rad
    if faults.pull_rad is not None:
        pull = faults.pull_rad[tick]
        obeys = np.isnan(pull)
        path = np.where(obeys, path, np.copysign(FAR_RAD, pull))
        before, after = (np.where(obeys, each, 0.0) for each in (before, after))
    return asked._replace(
        path_rad=np.ascontiguousarray(path), before_rad=before, after_rad=after
    )


def _driven_cuts(faults: Faults, first: int, last: int) -> list[int]:
    """Return the ticks inside (first, last) at which what an event does to a drive changes."""
    cuts: set[int] = set()
    for each in (faults.gain, faults.pull_rad, faults.stuck):
        if each is not None:
            same = (each[1:] == each[:-1]) | ((each[1:] != each[1:]) & (each[:-1] != each[:-1]))
            cuts |= set((1 + np.flatnonzero(~same.all(axis=(1, 2)))).tolist())
    return sorted(tick for tick in cuts if first < tick < last)


def _window_corner(corners: Array, asked: Array, faults: Faults) -> Array:
    """Return the corners of the windows that are read, and note those that were asked for."""
    corners[:-1] = corners[1:]
    corners[-1] = asked
    if faults.late_windows is None:
        return asked
    return corners[len(corners) - 1 - faults.late_windows, np.arange(len(asked))]


def _where(
    which: Flags, one: SearchState | None, two: SearchState | None
) -> SearchState | None:
    """Return the searches of some mirrors from one state, of the others from another."""
    if one is None or two is None or which.all():
        return one

    def chosen(a: Any, b: Any) -> NDArray[Any]:
        return np.where(which.reshape(-1, *(1,) * (a.ndim - 1)), a, b)

    return SearchState._make(map(chosen, one, two))
