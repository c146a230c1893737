"""Many frames of the whole loop in one call."""

import numpy as np

from sim.camera.exposure import Images, PixelNoise
from sim.camera.settings import Camera
from sim.foundations.ports import Array
from sim.foundations.ports.linear_law import LawState
from sim.kernels.compilation import kernel, step
from sim.kernels.compiled.blocks import next_block
from sim.kernels.compiled.camera import expose_block, window_buffers
from sim.kernels.compiled.control import control_block, law_of_block, note_block
from sim.kernels.compiled.losses import observe_connections
from sim.kernels.compiled.normals import block_names, normals_block
from sim.kernels.compiled.observers import observe_block
from sim.kernels.compiled.plant import advance_block, constants, set_frame
from sim.kernels.compiled.reading import BEYOND, centre_block, draw_block, path_block
from sim.kernels.law import KernelLaw
from sim.kernels.stretch import Inputs, ObservedLimits, Paths, Scratch, Setup
from sim.kernels.threads import Work, blocks_of, share
from sim.kernels.vectors import N
from sim.mirror.motion import Asked, Forcing, Motion

FRAME_S = 20e-6
"""About what a block takes for a frame. [s]"""


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
        history = scratch.history[f - first]
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


@kernel
def _mirrors(  # type: ignore[no-untyped-def]
    queue, first, last, setup, path, inputs, motion, law, memory, watched, scratch
):
    n_mirrors = setup.mirrors.size
    start = N * next_block(queue)
    while start < n_mirrors:
        _frames_block(
            start, min(N, n_mirrors - start), first, last, setup, path, inputs, motion, law,
            memory, watched, scratch,
        )  # fmt: skip
        start = N * next_block(queue)


def run_frames(
    setup: Setup, path: Paths, inputs: Inputs, motion: Motion, law: KernelLaw, memory: LawState,
    watched: ObservedLimits, scratch: Scratch,
) -> None:  # fmt: skip
    """Run the whole loop through some frames, as many at once as the scratch has histories for.

    Each block of mirrors goes through all of these, then each block of connections, while mirrors
    go through those that follow. They call what the kernels of single stages call, in the same
    order, so that the bits are the same.

    `motion`, `memory`, `scratch` and the traces in `watched` are changed.
    """
    n_frames, at_once = len(inputs.rest) - 1, scratch.history.shape[1]

    def mirrors(first: int) -> Work:
        last = min(first + at_once, n_frames)
        own = scratch._replace(history=history(first))
        args = (first, last, setup, path, inputs, motion, law, memory, watched, own)
        return Work(_mirrors, blocks_of(len(setup.mirrors)), (last - first) * FRAME_S, args)

    def history(first: int) -> Array:
        turn = first // at_once % len(scratch.history)
        return scratch.history[turn, : n_frames - first]

    share(mirrors(0))
    for first in range(0, n_frames, at_once):
        beside = [mirrors(first + at_once)] if first + at_once < n_frames else []
        observe_connections(inputs.first_frame + first, history(first), watched, *beside)
