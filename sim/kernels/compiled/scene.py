"""Spot images of windows that see more than their own spot, on pixels that differ."""

import math

import numpy as np
from numpy.typing import NDArray

from sim.camera.exposure import Images, PixelNoise
from sim.camera.sensor import Scene
from sim.camera.settings import Camera
from sim.foundations.ports import Array
from sim.kernels.compilation import kernel, step
from sim.kernels.compiled.blocks import next_block
from sim.kernels.compiled.camera import (
    block_time_s,
    cells,
    expected_row,
    kept,
    read_out,
    scattered,
    summed,
    window_buffers,
)
from sim.kernels.compiled.normals import block_names
from sim.kernels.threads import blocks_of, share
from sim.kernels.vectors import N, fma, load, minimum, spread, store

F32 = np.float32
I64 = np.int64
FAR_PX = 1e6


@step
def _pixels(out, values, scene, origin, j, start, count):  # type: ignore[no-untyped-def]
    """Copy what is known of the pixels in row `j` of a block's windows."""
    last_sensor = values.shape[0] - 1
    last_y = values.shape[1] - 1
    last_x = values.shape[2] - 1
    for k in range(count):
        sensor = min(scene.sensor[start + k], last_sensor)
        y = min(max(I64(origin[start + k, 1]) + j, 0), last_y)
        x = I64(origin[start + k, 0])
        for i in range(out.size // N):
            out[i * N + k] = values[sensor, y, min(max(x + i, 0), last_x)]


@step
def _scene_lights(  # type: ignore[no-untyped-def]
    gx, gy, lights, start, count, position, origin, height, width, camera, scene
):
    """Write what each source of light adds to a block's windows; return how many there are.

    A source that is far from every window of the block is left out: single precision would add
    exactly nothing.
    """
    n_samples = position.shape[0]
    scale = F32(1.0 / (math.sqrt(2.0) * camera.sigma_px))
    far = 9.0 * camera.sigma_px + 1.0
    at = np.empty(2 * N, F32)
    used = 0
    for q in range(scene.spots.shape[1]):
        for g in range(2 if scene.ghost > 0.0 else 1):
            strength = scene.ghost if g == 1 else 1.0
            dx = scene.ghost_x_px if g == 1 else 0.0
            dy = scene.ghost_y_px if g == 1 else 0.0
            share = F32(0.25 * camera.signal_e * strength / n_samples)
            for s in range(n_samples):
                near = False
                at[:] = F32(FAR_PX)
                for k in range(count):
                    n = scene.spots[start + k, q]
                    if n >= 0:
                        x = position[s, 0, n] - origin[start + k, 0] + dx
                        y = position[s, 1, n] - origin[start + k, 1] + dy
                        at[k] = F32(x)
                        at[N + k] = F32(y)
                        near |= -far <= x <= width + far and -far <= y <= height + far
                if near:
                    cells(gx, used * N, lights * N, width, load(at, 0), scale, F32(1.0))
                    cells(gy, used * N, lights * N, height, load(at, N), scale, share)
                    used += 1
    return used


@step
def _expose_scene_block(  # type: ignore[no-untyped-def]
    start, count, images, position, mirrors, camera, noise, origin, scene, warmth
):
    frames, sums, threshold, keep = images
    height, width = frames.shape[1], frames.shape[2]
    sources = position.shape[0] * scene.spots.shape[1] * (2 if scene.ghost > 0.0 else 1)
    lights = (sources + 1) // 2 * 2
    gx, gy, row, dn = window_buffers(sources, height, width)
    response = np.zeros_like(row)
    dark = np.zeros_like(row)
    offset = np.zeros_like(row)
    alike = scene.response.size == 1
    if alike:
        response[:] = scene.response[0, 0, 0]
        dark[:] = scene.dark[0, 0, 0]
        offset[:] = scene.offset[0, 0, 0]
    names = block_names(mirrors, start, count)
    used = _scene_lights(
        gx, gy, lights, start, count, position, origin, height, width, camera, scene
    )
    background = spread(F32(camera.background_e))
    full = spread(F32(camera.full_well_e))
    s0 = spread(I64(0))
    sx = spread(I64(0))
    sy = spread(I64(0))
    for j in range(height):
        expected_row(row, j, gx, gy, lights, used, background)
        if not alike:
            _pixels(response, scene.response, scene, origin, j, start, count)
            _pixels(dark, scene.dark, scene, origin, j, start, count)
            _pixels(offset, scene.offset, scene, origin, j, start, count)
        for i in range(0, row.size, N):
            store(row, i, fma(load(row, i), load(response, i), load(dark, i) * F32(warmth)))
        scattered(row, j, width, names, count, camera, noise)
        for i in range(0, row.size, N):
            store(row, i, minimum(load(row, i), full) + load(offset, i))
        total, weighted = read_out(row, width, np.inf, camera, threshold)
        if keep:
            kept(frames, row, dn, j, start, count, np.inf, camera)
        s0 = s0 + total
        sx = sx + weighted
        sy = sy + total * I64(j)
    summed(sums, start, count, s0, sx, sy)


def expose_scene(
    images: Images, position: Array, mirrors: NDArray[np.int64], camera: Camera,
    noise: PixelNoise, origin: Array, scene: Scene, warmth: float,
) -> None:  # fmt: skip
    """Make frames of windows that see more than their own spot, on pixels that differ.

    As `expose`; `position` (S, 2, M) is in sensor pixels, and the frames (K, H, W) start at
    `origin` (K, 2) of the sensor.
    """
    share(
        _expose_scene, blocks_of(len(mirrors)), block_time_s(images, noise), images, position,
        mirrors, camera, noise, origin, scene, warmth,
    )  # fmt: skip


@kernel
def _expose_scene(  # type: ignore[no-untyped-def]
    queue, images, position, mirrors, camera, noise, origin, scene, warmth
):
    n_windows = images.frames_dn.shape[0]
    start = N * next_block(queue)
    while start < n_windows:
        _expose_scene_block(
            start, min(N, n_windows - start), images, position, mirrors, camera, noise, origin,
            scene, warmth,
        )  # fmt: skip
        start = N * next_block(queue)
