"""The closed loop: from a state to the next, stretch by stretch, until the run is over."""

from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.firmware.fixed_law import FixedState
from sim.foundations.ports import Array
from sim.kernels.threads import beside
from sim.loop.fit import check_fit
from sim.loop.fused import Fused, reasons_not_fused
from sim.loop.health import Alarm, next_order
from sim.loop.orders import as_ordered, carried_out
from sim.loop.outlook import look_ahead
from sim.loop.parts import Parts
from sim.loop.plan import Planner
from sim.loop.recorder import Recorder, traces_of
from sim.loop.stages import FrameByFrame
from sim.loop.state import LoopState, initial_state
from sim.loop.stopwatch import Spent, TimedStage, begun, lap, with_laps
from sim.loop.under_events import UnderEvents
from sim.results.traces import SpotImages, Traces


class LoopResult(NamedTuple):
    """What `simulate` returns."""

    traces: Traces
    images: SpotImages
    sway_m: Array | None
    """Largest sway of the isolated core against its frame, (x, y, z). [m]"""
    spent: Spent
    parts: Parts
    """As they are at the end: what the switch did about alarms is in them."""
    alarms: tuple[Alarm, ...] = ()
    """What a health watch found."""
    cut_off: NDArray[np.int64] | None = None
    """(M, 2) times that a word of the controller was cut off; None without whole numbers."""


def simulate(
    parts: Parts, progress: Callable[[int], None] | None = None, *, fused: bool = True
) -> LoopResult:
    """Run the loop from the first frame to the last.

    Parameters
    ----------
    parts : Parts
        What takes part.
    progress : callable, optional
        Given the number of finished frames, at the start and every now and then.
    fused : bool
        Whether the fused path may be taken where the parts allow it. The result is the same, bit
        for bit.

    Returns
    -------
    LoopResult
    """
    state = initial_state(parts)
    if progress is not None:
        progress(0)
    last = state
    for last in _on_from(parts, state, parts.clock.n_frames, fused=fused):
        if progress is not None:
            progress(last.frame)
    return finished(parts, last)


def steps(
    parts: Parts, state: LoopState, *, until: int | None = None, fused: bool = True
) -> Iterator[LoopState]:
    """Run the loop on from a state, and yield the state after each stretch of frames.

    Frame k exposes from its start; its correction reaches the drive `latency_ticks` after that
    and is held until the next one. Feed-forward runs at the drive's rate.

    The state that is given does not change, nor does one that was yielded: each can be kept, saved
    and gone on from, with the same parts or with others that fit it. Frames that are run on from a
    state are the same, bit for bit, as those of a run that never stopped there.

    Parameters
    ----------
    parts : Parts
        What takes part.
    state : LoopState
        From `initial_state`, from here, or from `sim.loop.saved.load_state`.
    until : int, optional
        Frame before which to stop; the run's end if left out.
    fused : bool
        Whether the fused path may be taken where the parts allow it.

    Yields
    ------
    LoopState

    Raises
    ------
    ValueError
        If the state does not fit the parts.
    """
    check_fit(parts, state)
    end = parts.clock.n_frames if until is None else min(until, parts.clock.n_frames)
    yield from _on_from(parts, state, end, fused=fused)


def _on_from(parts: Parts, state: LoopState, end: int, *, fused: bool) -> Iterator[LoopState]:
    """Run on from a state that fits the parts."""
    may_fuse = fused and not reasons_not_fused(parts)
    while state.frame < end:
        if state.health is not None and next_order(state.health) == state.frame:
            state = carried_out(parts, state, state.health)
        ordered = as_ordered(parts, state.health)
        path = Fused(ordered) if may_fuse else FrameByFrame(ordered)
        planner = Planner(ordered, end, fused=may_fuse)
        for after in _until_an_order(ordered, state, path, planner):
            yield after
            state = after


def _until_an_order(
    parts: Parts, state: LoopState, path: Fused | FrameByFrame, planner: Planner
) -> Iterator[LoopState]:
    """Run on with the same parts, to the end or until the switch acts on an alarm."""
    laps = begun()
    eventful = UnderEvents(parts) if parts.events else path
    recorder = Recorder(parts, state.records)
    starts, ahead = True, None
    while state.frame < planner.end and next_order(state.health) != state.frame:
        ahead = look_ahead(parts, planner, state, ahead, laps)
        records = recorder.begin(state.records)
        way = eventful if ahead.stretch.eventful else path
        noted = beside(
            recorder.surroundings, records, ahead.stretch.first, ahead.environment
        )
        state = way.run(state, ahead, recorder.watched(records, ahead.epoch), laps)
        records = noted()
        lap(laps, TimedStage.RECORDING)
        state = state._replace(
            frame=ahead.stretch.end,
            reference=ahead.reference,
            surroundings=ahead.surroundings,
            resonance_change=ahead.mirrors.change,
            records=recorder.end(records, ahead.stretch.end),
            spent=with_laps(state.spent, laps, ahead.stretch, start=starts),
        )
        yield state
        laps, starts = begun(), False


def finished(parts: Parts, state: LoopState) -> LoopResult:
    """Return what a run leaves behind that is at its end.

    Parameters
    ----------
    parts : Parts
        What took part.
    state : LoopState
        The last that `steps` yields.

    Returns
    -------
    LoopResult
        Traces, images and counts.

    Raises
    ------
    ValueError
        If it is not.
    """
    if state.frame != parts.clock.n_frames:
        raise ValueError(f"state: frame must be {parts.clock.n_frames}, the end, got {state.frame}")
    m = len(parts.mirrors)
    searched = np.zeros(m, np.int32) if state.search is None else state.search.frames
    traces = traces_of(parts, state.records, state.motion.moving.stops, searched)
    if state.confusion is not None:
        traces = replace(traces, confusion=state.confusion)
    sway_m = None if parts.isolator is None else state.records.sway_m
    alarms = () if state.health is None else state.health.alarms
    cut_off = state.control.saturated if isinstance(state.control, FixedState) else None
    return LoopResult(
        traces, _images(parts, state), sway_m, state.spent, as_ordered(parts, state.health), alarms,
        cut_off,
    )  # fmt: skip


def _images(parts: Parts, state: LoopState) -> SpotImages:
    shape = (0, len(parts.mirrors), *parts.measurement.window_px)
    pixels = [picture.pixels_dn for picture in state.pictures]
    return SpotImages(
        tuple(picture.shows for picture in state.pictures),
        np.array([picture.frame * parts.clock.frame_s for picture in state.pictures]),
        np.stack(pixels) if pixels else np.zeros(shape, np.uint16),
    )
