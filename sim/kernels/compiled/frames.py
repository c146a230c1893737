"""Many frames of the whole loop in one call."""

import numpy as np
from numba import njit, prange

from sim.camera.settings import Camera
from sim.kernels.compilation import kernel
from sim.kernels.compiled.camera import expose_block, window_buffers
from sim.kernels.compiled.control import control_block, note_block
from sim.kernels.compiled.observers import connections, observe_block, observe_connection_block
from sim.kernels.compiled.plant import advance_block, constants, set_frame
from sim.kernels.compiled.reading import BEYOND, centre_block, draw_block, path_block
from sim.kernels.normals import block_names, normals_block
from sim.kernels.vectors import N


@njit
def _frames_block(  # type: ignore[no-untyped-def]
    start, count, first_frame, first, last, key, mirrors, moving, waiting, timing, path, around,
    fleet, drive, camera, measurement, table, seen, law, memory, scratch, aim_rad, tolerance_rad,
    traces,
):  # fmt: skip
    """Run the loop of a block of mirrors through frames `first` to `last` of those at hand."""
    n_ticks = scratch.noise.shape[0]
    height, width = scratch.frames.shape[1], scratch.frames.shape[2]
    lag = waiting.shape[0] - 1
    now = n_ticks if lag > 0 else timing.change_tick
    w = constants(start, count, fleet, drive)
    names = block_names(mirrors, start, count)
    room = window_buffers(scratch.position.shape[0], height, width)
    for f in range(first, last):
        frame = first_frame + f
        p = f if path.asked_rad.shape[0] > 1 else 0
        history = scratch.history[f - first]
        noise = scratch.noise if drive.noise_v > 0.0 else scratch.noise[:0]
        acceleration = around.acceleration[f * n_ticks : (f + 1) * n_ticks + 1]
        if drive.noise_v > 0.0:
            normals_block(start, count, names, noise, 0, frame, key.seed, key.amplifier)
        for a in range(2):
            for m in range(start, start + count):
                history[0, a, m] = moving.tilt[a, m]
        set_frame(
            w, start, count, waiting[0], waiting[min(lag, 1)], around.rest[f], around.rest[f + 1]
        )
        advance_block(
            start, count, w, moving.tilt, moving.rate, moving.volt, moving.stops, history, 0, now,
            path.asked_rad[p], timing.change_tick if lag > 0 else n_ticks, acceleration,
            around.gain[f], around.gain[f + 1], noise, fleet.cross, drive,
        )  # fmt: skip
        path_block(
            start, count, scratch.position, history,
            around.sensor[f * n_ticks : (f + 1) * n_ticks + 1], timing.samples,
            timing.delays, timing.scale_px_per_rad, path.origin_px[p],
        )  # fmt: skip
        if measurement.drawn:
            normals_block(start, count, names, scratch.z, 0, frame, key.seed, key.readings)
            draw_block(
                start, count, scratch.spot, scratch.flux, scratch.status, scratch.position,
                scratch.z, table, height, width,
            )  # fmt: skip
            for m in range(start, start + count):
                if scratch.status[m] == BEYOND and scratch.beyond[m] < 0:
                    scratch.beyond[m] = frame
        else:
            now_seen = Camera(
                seen.sigma_px[f], camera.signal_e, seen.background_e[f], camera.read_noise_e,
                camera.gain_dn_per_e, camera.black_dn, camera.full_well_e, camera.full_scale_dn,
            )  # fmt: skip
            expose_block(
                start, count, names, room, scratch.frames, scratch.sums, scratch.position, frame,
                now_seen, measurement.noise, key.seed, key.pixels, measurement.threshold_dn, False,
            )  # fmt: skip
            centre_block(
                start, count, scratch.spot, scratch.flux, scratch.status, scratch.sums, height,
                width, measurement.min_flux_dn, measurement.edge_px,
            )  # fmt: skip
        control_block(
            start, count, scratch.tilt, scratch.spot, timing.scale_px_per_rad, path, p, law, memory
        )
        for k in range(lag):
            for a in range(2):
                for m in range(start, start + count):
                    waiting[k, a, m] = waiting[k + 1, a, m]
        for a in range(2):
            for m in range(start, start + count):
                waiting[lag, a, m] = memory.correction_rad[a, m]
        if lag == 0:
            set_frame(w, start, count, waiting[0], waiting[0], around.rest[f], around.rest[f + 1])
            advance_block(
                start, count, w, moving.tilt, moving.rate, moving.volt, moving.stops, history, now,
                n_ticks, path.asked_rad[p], n_ticks, acceleration, around.gain[f],
                around.gain[f + 1], noise, fleet.cross, drive,
            )  # fmt: skip
        tick = frame * n_ticks
        observe_block(
            start, count, tick, history, aim_rad, tolerance_rad, traces.interval,
            traces.error_rad, traces.error_mean_rad, traces.error_square_rad2,
            traces.error_peak_rad, traces.error_first_out, traces.error_last_out,
        )  # fmt: skip
        note_block(
            start, count, tick, n_ticks, traces.interval, scratch.tilt, scratch.status, memory,
            traces,
        )  # fmt: skip


@kernel
def run_frames(  # type: ignore[no-untyped-def]
    first_frame, n_frames, key, mirrors, moving, waiting, timing, path, around, fleet, drive,
    camera, measurement, table, seen, law, memory, scratch, aim_rad, tolerance_rad, pairs, form_db,
    limit_db, traces,
):  # fmt: skip
    """Run the whole loop through some frames, as many at once as the scratch has histories for.

    Each block of mirrors goes through all of these, then each block of connections. They call what
    the kernels of single stages call, in the same order, so that the bits are the same.
    """
    n_mirrors = moving.tilt.shape[1]
    n_connections = pairs.shape[0]
    n_ticks = scratch.noise.shape[0]
    at_once = scratch.history.shape[0]
    for first in range(0, n_frames, at_once):
        last = min(first + at_once, n_frames)
        for block in prange((n_mirrors + N - 1) // N):
            start = block * N
            _frames_block(
                start, min(N, n_mirrors - start), first_frame, first, last, key, mirrors, moving,
                waiting, timing, path, around, fleet, drive, camera, measurement, table, seen,
                law, memory, scratch, aim_rad, tolerance_rad, traces,
            )  # fmt: skip
        for block in prange((n_connections + N - 1) // N):
            start = block * N
            count = min(N, n_connections - start)
            w = connections(start, count, aim_rad, pairs, form_db)
            tilts = np.zeros(n_ticks * 4 * N)
            for f in range(first, last):
                observe_connection_block(
                    start, count, w, tilts, (first_frame + f) * n_ticks, scratch.history[f - first],
                    pairs, limit_db, traces.interval, traces.excess_db, traces.excess_mean_db,
                    traces.excess_peak_db, traces.excess_first_out, traces.excess_last_out,
                    traces.excess_ticks_out,
                )  # fmt: skip
