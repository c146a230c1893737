"""Spot images and what is read from them."""

import math

import numpy as np
from numpy.typing import NDArray

from sim.camera.exposure import Images, PixelNoise
from sim.camera.settings import Camera
from sim.foundations.ports import Array, SpotStatus
from sim.kernels.compilation import inlined, kernel, step
from sim.kernels.compiled.blocks import next_block
from sim.kernels.compiled.normals import (
    block_names,
    normal_pair,
    philox_lanes,
    philox_word,
    polynomial,
)
from sim.kernels.compiled.polynomials import ERF
from sim.kernels.threads import blocks_of, share
from sim.kernels.vectors import (
    N,
    copysign,
    fabs,
    first_half,
    float64_to_32,
    float_to_int32,
    fma,
    int32_to_64,
    join,
    load,
    load_some,
    maximum,
    minimum,
    second_half,
    spread,
    sqrt,
    store,
    store_some,
)

U32 = np.uint32
I32 = np.int32
I64 = np.int64
F32 = np.float32
NOISE_NONE, NOISE_FAST, NOISE_EXACT = 0, 1, 2
PIXEL_S = (0.4e-9, 1.3e-9, 100e-9)
"""About what a pixel takes, by the kind of its noise. [s]"""
OK, DIM, EDGE = (int(status) for status in (SpotStatus.OK, SpotStatus.DIM, SpotStatus.EDGE))


@inlined
def _erf(x):  # type: ignore[no-untyped-def]
    """Abramowitz and Stegun 7.1.28, within 3e-7."""
    a = fabs(x)
    p = polynomial(ERF, a)
    p = p * p
    p = p * p
    p = p * p
    p = p * p
    return copysign(F32(1.0) - F32(1.0) / p, x)


@inlined
def cells(out, at, stride, n, centre, scale, share):  # type: ignore[no-untyped-def]
    """Write the light of a spot in each of `n` cells along one axis, `stride` items apart."""
    middle = centre * scale
    before = _erf(F32(-0.5) * scale - middle)
    for i in range(n):
        after = _erf((F32(i) + F32(0.5)) * scale - middle)
        store(out, at + i * stride, (after - before) * share)
        before = after


@inlined
def expected_row(row, j, gx, gy, lights, used, background):  # type: ignore[no-untyped-def]
    """Add up the light in row `j` of a block's windows: two sources at a time."""
    columns = row.size // N
    step = N * lights
    for s in range(0, max(used, 1), 2):
        at = j * step + s * N
        y0 = load(gy, at)
        y1 = load(gy, at + N)
        at = s * N
        for i in range(columns):
            light = background if s == 0 else load(row, i * N)
            light = fma(y0, load(gx, at), light)
            light = fma(y1, load(gx, at + N), light)
            store(row, i * N, light)
            at += step


@inlined
def _noisy(mean, z, read):  # type: ignore[no-untyped-def]
    """Skewed normal with the mean and variance of Poisson plus read noise."""
    var = mean + read
    skew = mean / (var * F32(6.0))
    return fma(fma(skew, z, sqrt(var)), z, mean - skew)


@inlined
def _noisy_two(row, at, z, read):  # type: ignore[no-untyped-def]
    """Add noise to the pixels at `at` and to those four columns on."""
    further = at + 4 * N
    electrons = _noisy(join(load(row, at), load(row, further)), z, read)
    store(row, at, first_half(electrons))
    store(row, further, second_half(electrons))


@step
def _exact(mean, read_noise, pixel, frame, mirror, seed, stream):  # type: ignore[no-untyped-def]
    """One pixel: Poisson (W. Hoermann, 1993, PTRS; by multiplication below 10) plus read noise."""
    draw = U32(1)
    w0, w1, w2, w3 = philox_word(U32(pixel), U32(mirror), U32(frame), draw, U32(seed), U32(stream))
    r = math.sqrt(-2.0 * math.log((w0 + 0.5) * 2.0**-32))
    z = r * math.cos(2.0 * math.pi * (w1 + 0.5) * 2.0**-32)
    count = 0.0
    if mean < 10.0:
        limit = math.exp(-mean)
        product = 1.0
        count = -1.0
        while count < 0.0 or product > limit:
            draw = U32(draw + U32(1))
            w0, w1, w2, w3 = philox_word(
                U32(pixel), U32(mirror), U32(frame), draw, U32(seed), U32(stream)
            )
            product *= (w0 + 0.5) * 2.0**-32
            count += 1.0
    else:
        log_mean = math.log(mean)
        b = 0.931 + 2.53 * math.sqrt(mean)
        a = -0.059 + 0.02483 * b
        inverse_alpha = 1.1239 + 1.1328 / (b - 3.4)
        v_r = 0.9277 - 3.6224 / (b - 2.0)
        while True:
            draw = U32(draw + U32(1))
            w0, w1, w2, w3 = philox_word(
                U32(pixel), U32(mirror), U32(frame), draw, U32(seed), U32(stream)
            )
            u = (w0 + 0.5) * 2.0**-32 - 0.5
            v = (w1 + 0.5) * 2.0**-32
            us = 0.5 - abs(u)
            k = math.floor((2.0 * a / us + b) * u + mean + 0.43)
            if us >= 0.07 and v <= v_r:
                count = k
                break
            if k < 0.0 or (us < 0.013 and v > us):
                continue
            accept = math.log(v) + math.log(inverse_alpha) - math.log(a / (us * us) + b)
            if accept <= -mean + k * log_mean - math.lgamma(k + 1.0):
                count = k
                break
    return F32(count + read_noise * z)


@inlined
def scattered(row, j, width, names, count, camera, noise):  # type: ignore[no-untyped-def]
    """Turn expected electrons of row `j` into electrons; four pixels share a draw."""
    kind, frame, seed, stream = noise
    groups = (width + 3) // 4
    if kind == NOISE_FAST:
        read = F32(camera.read_noise_e * camera.read_noise_e)
        for q in range(0, groups, 2):
            w0, w1, w2, w3 = philox_lanes(
                U32(j * groups + q), names, U32(frame), U32(0), U32(seed), U32(stream)
            )  # fmt: skip
            at = 4 * q * N
            a, b = normal_pair(w0, w1)
            _noisy_two(row, at, a, read)
            _noisy_two(row, at + N, b, read)
            a, b = normal_pair(w2, w3)
            _noisy_two(row, at + 2 * N, a, read)
            _noisy_two(row, at + 3 * N, b, read)
    elif kind == NOISE_EXACT:
        spare = np.empty(N, U32)
        store(spare, 0, names)
        for i in range(width):
            for k in range(count):
                row[i * N + k] = _exact(
                    row[i * N + k], camera.read_noise_e, 4 * groups * j + i, frame, spare[k], seed,
                    stream,
                )  # fmt: skip


@inlined
def read_out(row, width, well, camera, threshold):  # type: ignore[no-untyped-def]
    """Sums of a row's digital numbers above the threshold: plain, and weighted by column.

    Numbers are cut off at the threshold from below, and its share is queue away at the end. The
    weighted sum is a running sum of running sums from the last column on; 32 bits hold it for
    16-bit pixels in up to 256 columns.
    """
    black = F32(camera.black_dn + 0.5)
    gain = F32(camera.gain_dn_per_e)
    dark = min(max(threshold, 0), int(camera.full_scale_dn))
    low = spread(F32(dark))
    top = spread(F32(camera.full_scale_dn))
    total = spread(I32(0))
    weighted = spread(I32(0))
    for i in range(width - 1, -1, -1):
        level = fma(minimum(load(row, i * N), spread(F32(well))), gain, black)
        weighted = weighted + total
        total = total + float_to_int32(minimum(maximum(level, low), top))
    share = dark if threshold >= 0 else threshold
    pixels = I64(share) * I64(width)
    columns = pixels * I64(width - 1) // I64(2)
    return int32_to_64(total) - pixels, int32_to_64(weighted) - columns


@step
def kept(frames, row, dn, j, start, count, well, camera):  # type: ignore[no-untyped-def]
    """Write the digital numbers of row `j` of a block's windows to their frames."""
    width = frames.shape[2]
    black = F32(camera.black_dn + 0.5)
    gain = F32(camera.gain_dn_per_e)
    top = spread(F32(camera.full_scale_dn))
    for i in range(width):
        level = fma(minimum(load(row, i * N), spread(F32(well))), gain, black)
        store(dn, i * N, float_to_int32(minimum(maximum(level, spread(F32(0.0))), top)))
    for k in range(count):
        for i in range(width):
            frames[start + k, j, i] = dn[i * N + k]


@inlined
def summed(sums, start, count, s0, sx, sy):  # type: ignore[no-untyped-def]
    """Write a block's sums."""
    store_some(sums, (0, start), count, s0)
    store_some(sums, (1, start), count, sx)
    store_some(sums, (2, start), count, sy)


@step
def window_buffers(sources, height, width):  # type: ignore[no-untyped-def]
    """Room for a block's windows: light along both axes, two sources at a time, and a row twice."""
    lights = (sources + 1) // 2 * 2
    columns = (width + 7) // 8 * 8
    return (
        np.zeros(lights * columns * N, F32),
        np.zeros(lights * height * N, F32),
        np.zeros(columns * N, F32),
        np.zeros(columns * N, I32),
    )


@step
def expose_block(start, count, names, buffers, images, position, camera, noise):  # type: ignore[no-untyped-def]
    """See `expose`; one block of mirrors by their names, with a `window_buffers`."""
    gx, gy, row, dn = buffers
    frames, sums, threshold, keep = images
    n_samples = position.shape[0]
    height, width = frames.shape[1], frames.shape[2]
    lights = (n_samples + 1) // 2 * 2
    scale = F32(1.0 / (math.sqrt(2.0) * camera.sigma_px))
    share = F32(0.25 * camera.signal_e / n_samples)
    for s in range(n_samples):
        x = float64_to_32(load_some(position, (s, 0, start), count))
        y = float64_to_32(load_some(position, (s, 1, start), count))
        cells(gx, s * N, lights * N, width, x, scale, F32(1.0))
        cells(gy, s * N, lights * N, height, y, scale, share)
    background = spread(F32(camera.background_e))
    s0 = spread(I64(0))
    sx = spread(I64(0))
    sy = spread(I64(0))
    for j in range(height):
        expected_row(row, j, gx, gy, lights, lights, background)
        scattered(row, j, width, names, count, camera, noise)
        total, weighted = read_out(row, width, camera.full_well_e, camera, threshold)
        if keep:
            kept(frames, row, dn, j, start, count, camera.full_well_e, camera)
        s0 = s0 + total
        sx = sx + weighted
        sy = sy + total * I64(j)
    summed(sums, start, count, s0, sx, sy)


def expose(
    images: Images, position: Array, mirrors: NDArray[np.int64], camera: Camera, noise: PixelNoise
) -> None:
    """Make every mirror's frame, and the sums of its thresholded centre of gravity."""
    blocks, block_s = blocks_of(len(mirrors)), block_time_s(images, noise)
    share(_expose, blocks, block_s, images, position, mirrors, camera, noise)


def block_time_s(images: Images, noise: PixelNoise) -> float:
    """Return about how long a block of windows takes. [s]"""
    return N * math.prod(images.frames_dn.shape[1:]) * PIXEL_S[noise.kind]


@kernel
def _expose(queue, images, position, mirrors, camera, noise):  # type: ignore[no-untyped-def]
    height, width = images.frames_dn.shape[1], images.frames_dn.shape[2]
    n_mirrors = position.shape[2]
    buffers = window_buffers(position.shape[0], height, width)
    start = N * next_block(queue)
    while start < n_mirrors:
        count = min(N, n_mirrors - start)
        expose_block(
            start, count, block_names(mirrors, start, count), buffers, images, position, camera,
            noise,
        )
        start = N * next_block(queue)
