"""Many frames of the whole loop in one call."""

from time import sleep

import numpy as np

from sim.camera.exposure import Images, PixelNoise
from sim.camera.settings import Camera
from sim.foundations.ports.linear_law import LawState
from sim.kernels.compilation import kernel, step
from sim.kernels.compiled.blocks import NONE
from sim.kernels.compiled.camera import expose_block, window_buffers
from sim.kernels.compiled.control import control_block, law_of_block, note_block
from sim.kernels.compiled.losses import beyond_forms, form_block
from sim.kernels.compiled.normals import block_names, normals_block
from sim.kernels.compiled.observers import observe_block
from sim.kernels.compiled.plant import advance_block, constants, set_frame
from sim.kernels.compiled.reading import BEYOND, centre_block, draw_block, path_block
from sim.kernels.law import KernelLaw
from sim.kernels.stretch import Inputs, ObservedLimits, Paths, Pieces, Scratch, Setup
from sim.kernels.threads import blocks_of, on_each_thread, spread_out, worth
from sim.kernels.vectors import N, seen, take
from sim.mirror.motion import Asked, Forcing, Motion

I64 = np.int64
FRAME_S = 20e-6
"""About what a block takes for a frame. [s]"""
AT_ONCE = 64
"""Frames of a piece. With fewer, more is done that is done once for each; with more, threads wait
longer for the last piece, and what is kept of the mirrors leaves the processor's cache."""
LOOKS = 20_000
"""Looks at what another thread is still at, before a thread sleeps: about 0.1 ms."""
PAUSE_S = 100e-6
CACHE_LINE = 64
"""Numbers this far apart are on different lines of the processor's cache. [byte]"""


@step
def _read_block(start, count, frame, f, names, buffers, setup, scratch):  # type: ignore[no-untyped-def]
    """Read the spots of a block, from images or from a table."""
    imaging = setup.imaging
    if imaging.drawn:
        key = (setup.seed, imaging.reading_stream)
        normals_block(start, count, names, scratch.z, np.int64(0), frame, key)
        draw_block(start, count, scratch.readings, scratch.position, scratch.z, imaging.table)
        for m in range(start, start + count):
            if scratch.readings.status[m] == BEYOND and scratch.beyond[m] < 0:
                scratch.beyond[m] = frame
    else:
        fixed = imaging.camera
        camera = Camera(
            imaging.sigma_px[f], fixed.signal_e, imaging.background_e[f], fixed.read_noise_e,
            fixed.gain_dn_per_e, fixed.black_dn, fixed.full_well_e, fixed.full_scale_dn,
        )  # fmt: skip
        keep = imaging.keep and f == imaging.sigma_px.size - 1
        noise = PixelNoise(imaging.noise, frame, setup.seed, imaging.pixel_stream)
        images = Images(scratch.frames, scratch.sums, imaging.threshold_dn, keep)
        expose_block(start, count, names, buffers, images, scratch.position, camera, noise)
        centre_block(start, count, scratch.readings, scratch.sums, imaging.rule)


@step
def _frames_block(  # type: ignore[no-untyped-def]
    start, count, first, last, setup, path, inputs, motion, law, memory, watched, scratch
):
    """Run the loop of a block of mirrors through frames `first` to `last` of those at hand."""
    fleet, drive, imaging = setup.fleet, setup.drive, setup.imaging
    moving, waiting, lag, change_tick = motion
    n_ticks = scratch.noise.shape[0]
    now = n_ticks if lag > 0 else change_tick
    change = change_tick if lag > 0 else n_ticks
    key = (setup.seed, setup.amplifier_stream)
    w = constants(start, count, fleet, drive)
    names = block_names(setup.mirrors, start, count)
    buffers = window_buffers(scratch.position.shape[0], imaging.rule.height, imaging.rule.width)
    zero = np.int64(0)  # 0 alone would be a type of its own, and steps be compiled twice
    own = law_of_block(start, count, law)
    for f in range(first, last):
        frame = inputs.first_frame + f
        p = f if path.asked_rad.shape[0] > 1 else 0
        history = scratch.history[f]
        noise = scratch.noise if drive.noise_v > 0.0 else scratch.noise[:0]
        if drive.noise_v > 0.0:
            normals_block(start, count, names, noise, zero, frame, key)
        for a in range(2):
            for m in range(start, start + count):
                history[0, a, m] = moving.tilt[a, m]
        asked = Asked(path.asked_rad[p], waiting[0], waiting[min(lag, 1)], change)
        forcing = Forcing(
            inputs.acceleration[f * n_ticks : (f + 1) * n_ticks + 1], inputs.rest[f],
            inputs.rest[f + 1], inputs.gain[f], inputs.gain[f + 1], noise,
        )  # fmt: skip
        set_frame(w, start, count, asked, forcing)
        advance_block(
            start, count, w, moving, history, zero, now, asked, forcing, fleet.cross, drive
        )
        shift = inputs.sensor[f * n_ticks : (f + 1) * n_ticks + 1]
        path_block(
            start, count, scratch.position, history, shift, imaging.sampling, path.origin_px[p]
        )
        _read_block(start, count, frame, f, names, buffers, setup, scratch)
        control_block(
            start, count, scratch.tilt, scratch.readings.spot_px, imaging.sampling.scale_px_per_rad,
            path, p, own, memory,
        )  # fmt: skip
        for k in range(lag):
            for a in range(2):
                for m in range(start, start + count):
                    waiting[k, a, m] = waiting[k + 1, a, m]
        for a in range(2):
            for m in range(start, start + count):
                waiting[lag, a, m] = memory.correction_rad[a, m]
        if lag == 0:
            asked = Asked(path.asked_rad[p], waiting[0], waiting[0], change)
            set_frame(w, start, count, asked, forcing)
            advance_block(
                start, count, w, moving, history, now, n_ticks, asked, forcing, fleet.cross, drive
            )
        tick = frame * n_ticks
        observe_block(
            start, count, tick, history, watched.aim_rad, watched.tolerance_rad, watched.errors
        )
        note_block(
            start, count, tick, n_ticks, scratch.tilt, scratch.readings.status, memory,
            watched.readings,
        )  # fmt: skip


@step
def _through(done, first, last, turns):  # type: ignore[no-untyped-def]
    """Say whether some blocks are through so many turns; wait a little for those that are not."""
    block = first
    looks = 0
    while block < last and looks < LOOKS:
        if seen(done[block]) >= turns:
            block += 1
        else:
            looks += 1
    return block == last


@kernel
def _pieces(  # type: ignore[no-untyped-def]
    left, pieces, setup, path, inputs, motion, law, memory, watched, scratch, stopped
):
    """Take pieces of a stretch of frames until there are none, or one must wait for another thread.

    Returns the one that must wait, to be given as `left` the next time; `NONE` if there are none.
    """
    taken, done, order, losses_order, at_once = pieces
    n_frames = inputs.rest.shape[0] - 1
    blocks, all_blocks = order.size, order.size + losses_order.size
    turns = -(-n_frames // at_once)
    piece = left if left < NONE else take(taken)
    while piece < (turns + 1) * all_blocks:
        turn = piece // all_blocks
        number = piece % all_blocks
        if number < blocks and turn < turns:
            block = order[number]
            if not _through(done, block, block + 1, turn):
                return piece
            start = N * block
            _frames_block(
                start, min(N, setup.mirrors.size - start), turn * at_once,
                min((turn + 1) * at_once, n_frames), setup, path, inputs, motion, law, memory,
                watched, scratch,
            )  # fmt: skip
            take(done[block])
        elif number >= blocks and turn > 0:
            block = losses_order[number - blocks]
            own = blocks + block
            if not _through(done, I64(0), blocks, turn) or not _through(
                done, own, own + 1, turn - 1
            ):
                return piece
            form_block(
                block, (turn - 1) * at_once, min(turn * at_once, n_frames), inputs.first_frame,
                scratch.history, watched.aim_rad, watched.pairs, watched.form_db,
                watched.beams.form_range_db, watched.outage_db, watched.losses, stopped,
            )  # fmt: skip
            take(done[own])
        piece = take(taken)
    return NONE


def run_frames(
    setup: Setup, path: Paths, inputs: Inputs, motion: Motion, law: KernelLaw, memory: LawState,
    watched: ObservedLimits, scratch: Scratch,
) -> None:  # fmt: skip
    """Run the whole loop through a stretch of frames, as many as the scratch has histories for.

    Its pieces call what the kernels of single stages call, in the same order, so that the bits are
    the same.

    `motion`, `memory`, `scratch` and the traces in `watched` are changed.
    """
    n_frames, blocks = len(inputs.rest) - 1, blocks_of(len(setup.mirrors))
    stopped = np.full(blocks_of(len(watched.pairs)), -1)
    count = worth(blocks, n_frames * blocks * FRAME_S)
    pieces = pieces_of(blocks, len(stopped), count)
    given = (pieces, setup, path, inputs, motion, law, memory, watched, scratch, stopped)
    given_up: list[bool] = []

    def take_part() -> None:
        try:
            left = _pieces(NONE, *given)
            while left != NONE and not given_up:
                sleep(PAUSE_S)
                left = _pieces(left, *given)
        except BaseException:
            given_up.append(True)  # others may wait for the piece that this thread leaves undone
            raise

    on_each_thread(count, take_part)
    beyond_forms(inputs.first_frame, scratch.history[:n_frames], watched, stopped)


def pieces_of(blocks: int, losses_blocks: int, count: int) -> Pieces:
    """Cut a stretch of frames into pieces for so many threads."""
    return Pieces(
        np.zeros(1, np.int64),
        np.zeros((blocks + losses_blocks, CACHE_LINE // 8), np.int64),
        spread_out(blocks, count),
        spread_out(losses_blocks, count),
        AT_ONCE,
    )
