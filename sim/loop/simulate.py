"""The closed loop: a function of its parts, frame by frame, that leaves traces."""

from collections.abc import Callable, Iterator
from typing import NamedTuple

import numpy as np

from sim.camera.measurement import NOISE
from sim.loop.frame_path import FramePath, frame_path
from sim.loop.fused import Fused, reasons_not_fused
from sim.loop.parts import Parts
from sim.loop.recorder import Recorder
from sim.loop.reference import Reference
from sim.loop.stages import FrameByFrame
from sim.loop.state import at_rest
from sim.loop.stopwatch import Spent, Stage, Stopwatch
from sim.loop.surroundings import Environment, Surroundings
from sim.mirror.propagator import with_resonance_change
from sim.ports import Array
from sim.results.traces import SpotImages, Traces

BLOCK_FRAMES = 256
"""Disturbances are made for this many frames at a time."""
FIRST_FRAMES = 16
"""The same at the start of a run."""
TOLD_FRAMES = 16
"""Of frames that take long the caller is told this many at a time: those that go stage by stage,
and those with exact noise."""
MOVING_FRAMES = 32
"""The fused path takes this many at most while the mirrors are to move: each has a path."""
SAMPLED_FRAMES = 8
"""So many frames go stage by stage before the fused path, and show what takes the time."""
RESONANCE_STEP = 2e-6
"""Propagators are made anew once resonance has changed by this much, relative."""


class LoopResult(NamedTuple):
    """What `simulate` returns."""

    traces: Traces
    images: SpotImages
    sway_m: Array | None
    """Largest sway of the isolated core against its frame, (x, y, z). [m]"""
    spent: Spent


def simulate(
    parts: Parts, progress: Callable[[int], None] | None = None, *, fused: bool = True
) -> LoopResult:
    """Run the loop from the first frame to the last.

    Frame k exposes from its start; its correction reaches the drive `latency_ticks` after that
    and is held until the next one. Feed-forward runs at the drive's rate.

    Parameters
    ----------
    parts : Parts
        What takes part.
    progress : callable, optional
        Told the number of finished frames, at the start and every now and then.
    fused : bool
        Whether the fused path may be taken where the parts allow it, after a few frames that go
        stage by stage. The result is the same, bit for bit.

    Returns
    -------
    LoopResult
    """
    clock, watch = parts.clock, Stopwatch()
    reference = parts.reference()
    path = frame_path(*reference.frame(0), parts)
    motion = at_rest(parts, path.asked_rad[0])
    surroundings = Surroundings(parts)
    recorder = Recorder(parts)
    single = FrameByFrame(parts, motion, recorder, watch)
    may_fuse = fused and not reasons_not_fused(parts)
    stretch = TOLD_FRAMES if parts.measurement.noise == NOISE["exact"] else BLOCK_FRAMES
    many: Fused | None = None
    fused_frames = 0
    fleet, warmed_by = parts.fleet, 0.0
    epoch = -1
    pictures = [frame for _, frame in parts.pictures]

    if progress is not None:
        progress(0)
    for first, count in _blocks(clock.n_frames):
        around = surroundings.advance(first, count)
        recorder.surroundings(first, around)
        watch.lap(Stage.SURROUNDINGS)
        k = 0
        while k < count:
            frame = first + k
            if epoch + 1 < len(parts.epochs) and parts.epoch_frames[epoch + 1] <= frame:
                epoch += 1
                recorder.enter(parts.epochs[epoch])
            if frame > 0:
                path = _next(path, reference, frame, parts)
            if abs(around.resonance[k] - warmed_by) > RESONANCE_STEP:
                warmed_by = float(around.resonance[k])
                fleet = with_resonance_change(parts.fleet, parts.population, warmed_by, parts.drive)
            watch.lap(Stage.PATH)
            if not may_fuse or frame < SAMPLED_FRAMES:
                single.run(frame, k, around, path, fleet)
                k += 1
                if frame == 0:
                    watch.end_of_start()
                if progress is not None and (k % TOLD_FRAMES == 0 or k == count):
                    progress(first + k)
                continue
            begins = many is None
            if many is None:
                many = Fused(parts, motion, recorder, single.control)
            stops = [*parts.epoch_frames, *(shown + 1 for shown in pictures), first + count,
                     frame + stretch]  # fmt: skip
            last = min(stop for stop in stops if stop > frame) - 1
            last = min(last, first + _same_resonance(around, k, warmed_by))
            paths, last = _ahead(path, reference, frame, last, parts)
            path = paths[-1]
            watch.lap(Stage.PATH)
            frames = last + 1 - frame
            many.run(frame, k, around, paths, frames, fleet)
            if last in pictures:
                temperature_k = float(around.temperature[last - first])
                single.keep(last, (many.position_px, last, path.origin_px, temperature_k))
            fused_frames += frames
            k += frames
            if begins:
                watch.lap_of_start()
            else:
                watch.lap(Stage.FUSED)
            if progress is not None:
                progress(first + k)
    kept = single.kept
    shape = (0, len(parts.mirrors), *parts.measurement.window_px)
    images = SpotImages(
        tuple(text for text, _, _ in kept),
        np.array([frame * clock.frame_s for _, frame, _ in kept]),
        np.stack([pixels for _, _, pixels in kept]) if kept else np.zeros(shape, np.uint16),
    )
    traces = recorder.traces(motion.moving.stops, single.search_frames)
    return LoopResult(traces, images, surroundings.sway_m, watch.spent(fused_frames))


def _blocks(n_frames: int) -> Iterator[tuple[int, int]]:
    """First frame and length of each block; the first is short, so that it can be set aside."""
    first, length = 0, FIRST_FRAMES
    while first < n_frames:
        yield first, min(length, n_frames - first)
        first += length
        length = BLOCK_FRAMES


def _next(path: FramePath, reference: Reference, frame: int, parts: Parts) -> FramePath:
    """Path of the next frame: the same one while the mirrors are to stand still."""
    asked, expected = reference.frame(frame)
    if expected is path.setpoint.reference_rad:
        return path
    return frame_path(asked, expected, parts)


def _ahead(
    path: FramePath, reference: Reference, frame: int, last: int, parts: Parts
) -> tuple[list[FramePath], int]:
    """Paths from `frame` on, whose own is given, to a last frame that is returned too.

    There is one path if it holds for all. If the mirrors are to move, the frames end where they
    come to rest, and after `MOVING_FRAMES`.
    """
    later = reference.next_change(frame)
    if later > frame + 1:
        return [path], min(last, later - 1)
    paths = [path]
    while later == frame + len(paths) <= last and len(paths) < MOVING_FRAMES:
        paths.append(_next(paths[-1], reference, later, parts))
        later = reference.next_change(later)
    return paths, frame + len(paths) - 1


def _same_resonance(around: Environment, k: int, warmed_by: float) -> int:
    """Return the last frame of the block for which the propagators of frame k will do."""
    apart = np.abs(around.resonance[k + 1 : -1] - warmed_by) > RESONANCE_STEP
    return k + int(apart.argmax()) if apart.any() else len(around.resonance) - 2
