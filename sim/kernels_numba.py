"""The hot loops, compiled. `sim.kernels_numpy` says in plain numpy what each one means.

All compiled code is in this file, because a cached kernel does not notice a change in another one.
No fast-math: one and two threads, and different vector instruction sets, agree bit for bit.
Arrays run over mirrors last, (2, M), so that the loops over mirrors are contiguous.
"""

import math
from typing import Any

import numpy as np
from llvmlite import ir
from numba import njit, prange, types
from numba.extending import intrinsic

U32 = np.uint32
U64 = np.uint64
F32 = np.float32
M0, M1 = U64(0xD2511F53), U64(0xCD9E8D57)
W0, W1 = U32(0x9E3779B9), U32(0xBB67AE85)
S32 = U64(32)
BLOCK = 16
NOISE_NONE, NOISE_FAST, NOISE_EXACT = 0, 1, 2


@intrinsic
def _as_float(typingctx: Any, word: Any) -> Any:
    """Read the 32 bits of a word as a float."""

    def codegen(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        return builder.bitcast(args[0], ir.FloatType())

    return types.float32(types.uint32), codegen


@njit(inline="always")
def _philox(c0, c1, c2, c3, k0, k1):  # type: ignore[no-untyped-def]
    for _ in range(10):
        p0 = M0 * U64(c0)
        p1 = M1 * U64(c2)
        n0 = U32(U32(U32(p1 >> S32) ^ c1) ^ k0)
        n2 = U32(U32(U32(p0 >> S32) ^ c3) ^ k1)
        c1 = U32(p1)
        c3 = U32(p0)
        c0 = n0
        c2 = n2
        k0 = U32(k0 + W0)
        k1 = U32(k1 + W1)
    return c0, c1, c2, c3


@njit(inline="always")
def _radius(word):  # type: ignore[no-untyped-def]
    """sqrt(-2 ln u) for u = (word >> 8 + 1/2) / 2^24, its logarithm by a polynomial."""
    u = F32(F32(U32(word >> U32(8))) + F32(0.5)) * F32(2.0**-24)
    bits = np.float32(u).view(np.uint32)
    exponent = F32(np.int32(bits >> U32(23)) - np.int32(127))
    f = _as_float(U32(U32(bits & U32(0x007FFFFF)) | U32(0x3F800000))) - F32(1.0)
    p = F32(-0.008574675768613815)
    p = p * f + F32(0.044214192777872086)
    p = p * f + F32(-0.10785368084907532)
    p = p * f + F32(0.17757023870944977)
    p = p * f + F32(-0.2449961155653)
    p = p * f + F32(0.3327617645263672)
    p = p * f + F32(-0.49997448921203613)
    p = p * f + F32(0.9999998211860657)
    ln = exponent * F32(0.6931471805599453) + p * f
    return F32(np.sqrt(max(F32(-2.0) * ln, F32(0.0))))


@njit(inline="always")
def _half_turn(word):  # type: ignore[no-untyped-def]
    """Sine and cosine of pi t for t = signed word / 2^32, in [-1/2, 1/2)."""
    t = F32(np.int32(word)) * F32(2.0**-32)
    s = t * t
    p = F32(0.07765766233205795)
    p = p * s + F32(-0.598291277885437)
    p = p * s + F32(2.550077438354492)
    p = p * s + F32(-5.167710304260254)
    p = p * s + F32(3.1415927410125732)
    q = F32(0.21968960762023926)
    q = q * s + F32(-1.331876516342163)
    q = q * s + F32(4.058411121368408)
    q = q * s + F32(-4.934792995452881)
    q = q * s + F32(0.9999999403953552)
    return p * t, q


@njit(inline="always")
def _erf(x):  # type: ignore[no-untyped-def]
    """Abramowitz and Stegun 7.1.28, within 3e-7."""
    a = abs(x)
    p = F32(0.0000430638)
    p = p * a + F32(0.0002765672)
    p = p * a + F32(0.0001520143)
    p = p * a + F32(0.0092705272)
    p = p * a + F32(0.0422820123)
    p = p * a + F32(0.0705230784)
    p = p * a + F32(1.0)
    p = p * p
    p = p * p
    p = p * p
    p = p * p
    e = F32(1.0) - F32(1.0) / p
    return e if x >= F32(0.0) else -e


@njit(cache=True, parallel=True, error_model="numpy")
def amplifier_noise(out, mirrors, frame, seed, stream):  # type: ignore[no-untyped-def]
    """Fill `out` (N, 2, M) with standard normals named by (mirror, frame, pair of ticks)."""
    n_ticks, _, n_mirrors = out.shape
    for m in prange(n_mirrors):
        for pair in range((n_ticks + 1) // 2):
            w0, w1, w2, w3 = _philox(
                U32(pair), U32(frame), U32(mirrors[m]), U32(0), U32(seed), U32(stream)
            )
            r = _radius(w0)
            s, c = _half_turn(w1)
            out[2 * pair, 0, m] = r * (F32(1.0) - F32(2.0) * s * s)
            out[2 * pair, 1, m] = r * (F32(2.0) * s * c)
            if 2 * pair + 1 < n_ticks:
                r = _radius(w2)
                s, c = _half_turn(w3)
                out[2 * pair + 1, 0, m] = r * (F32(1.0) - F32(2.0) * s * s)
                out[2 * pair + 1, 1, m] = r * (F32(2.0) * s * c)


LANES = 2 * BLOCK
"""Lanes of a block: x of its mirrors, then y."""
# Rows of a block's working array, each of LANES numbers. Constant offsets into one array let the
# compiler see that they do not overlap, and so take the lanes together.
_TILT, _RATE, _VOLT, _U0, _U1, _WANTED, _F0, _F1, _LAST = (LANES * i for i in range(9))
_REST, _SLOPE, _STIFF, _KICK, _TRUE, _STEPS, _TRAVEL = (LANES * (9 + i) for i in range(7))
_BEFORE, _AFTER = LANES * 16, LANES * 17
_IMBALANCE = LANES * 18
_STEP = LANES * 21
_ROWS = 33


@njit(cache=True, parallel=True, error_model="numpy")
def advance(  # type: ignore[no-untyped-def]
    tilt, rate, volt, stops, history, first, last, path, before, after, change,
    acceleration, rest_start, rest_end, gain_start, gain_end, noise, fleet, drive,
):  # fmt: skip
    """Move the fleet through ticks `first` to `last` of one frame; see the plain form."""
    n_ticks = path.shape[0]
    n_mirrors = tilt.shape[1]
    sub = drive.substeps
    n_blocks = (n_mirrors + BLOCK - 1) // BLOCK
    for block in prange(n_blocks):
        start = block * BLOCK
        count = min(BLOCK, n_mirrors - start)
        w = np.zeros(_ROWS * LANES)
        hit = np.zeros(LANES, np.uint8)
        for j in range(LANES):
            w[_TRUE + j] = 1.0
            w[_STEPS + j] = 1.0
        for a in range(2):
            for i in range(count):
                j = a * BLOCK + i
                m = start + i
                w[_TILT + j] = tilt[a, m]
                w[_RATE + j] = rate[a, m]
                w[_VOLT + j] = volt[a, m]
                w[_REST + j] = rest_start[a, m]
                w[_SLOPE + j] = rest_end[a, m] - rest_start[a, m]
                w[_STIFF + j] = fleet.stiffness[a, m]
                w[_KICK + j] = 0.5 * drive.step_s * fleet.stiffness[a, m] * fleet.cubic[a]
                w[_TRUE + j] = fleet.true_gain[a, m]
                w[_STEPS + j] = fleet.believed_gain[a, m]
                w[_TRAVEL + j] = fleet.travel_rad[a]
                w[_BEFORE + j] = before[a, m]
                w[_AFTER + j] = after[a, m]
                for k in range(3):
                    w[_IMBALANCE + k * LANES + j] = fleet.imbalance[a, k, m]
                for k in range(12):
                    w[_STEP + k * LANES + j] = fleet.step[k, a, m]
        for n in range(first, last):
            for a in range(2):
                for i in range(count):
                    w[_WANTED + a * BLOCK + i] = path[n, a, start + i]
            held = _BEFORE if n < change else _AFTER
            if drive.square:
                for j in range(LANES):
                    ratio = (w[_WANTED + j] + w[held + j]) / w[_STEPS + j]
                    w[_WANTED + j] = math.copysign(math.sqrt(abs(ratio)), ratio)
            else:
                for j in range(LANES):
                    w[_WANTED + j] = (w[_WANTED + j] + w[held + j]) / w[_STEPS + j]
            for j in range(LANES):
                code = math.floor(w[_WANTED + j] / drive.lsb_v + 0.5)
                w[_WANTED + j] = drive.lsb_v * min(max(code, -drive.codes), drive.codes - 1)
            for j in range(LANES):
                hit[j] = 0
            for i in range(sub):
                w0 = i / sub
                w1 = (i + 1) / sub
                x0 = (n + w0) / n_ticks
                x1 = (n + w1) / n_ticks
                _ask(w, _U0, 1.0 + gain_start + (gain_end - gain_start) * x0, fleet, drive)
                widest = 0.0
                for j in range(LANES):
                    gap = w[_WANTED + j] - w[_VOLT + j]
                    widest = max(widest, abs(gap))
                    w[_LAST + j] = w[_VOLT + j]
                    w[_VOLT + j] += gap * (1.0 - drive.decay)
                if widest > drive.slew_v:
                    for j in range(LANES):
                        w[_VOLT + j] = _amplified(w[_LAST + j], w[_WANTED + j], drive)
                if i == sub - 1 and noise.shape[0] > 0:
                    for a in range(2):
                        for m in range(count):
                            w[_VOLT + a * BLOCK + m] += drive.noise_v * noise[n, a, start + m]
                _ask(w, _U1, 1.0 + gain_start + (gain_end - gain_start) * x1, fleet, drive)
                a0 = acceleration[n, 0] + w0 * (acceleration[n + 1, 0] - acceleration[n, 0])
                a1 = acceleration[n, 1] + w0 * (acceleration[n + 1, 1] - acceleration[n, 1])
                a2 = acceleration[n, 2] + w0 * (acceleration[n + 1, 2] - acceleration[n, 2])
                b0 = acceleration[n, 0] + w1 * (acceleration[n + 1, 0] - acceleration[n, 0])
                b1 = acceleration[n, 1] + w1 * (acceleration[n + 1, 1] - acceleration[n, 1])
                b2 = acceleration[n, 2] + w1 * (acceleration[n + 1, 2] - acceleration[n, 2])
                for j in range(LANES):
                    p = w[_IMBALANCE + j]
                    q = w[_IMBALANCE + LANES + j]
                    r = w[_IMBALANCE + 2 * LANES + j]
                    rest = w[_REST + j]
                    slope = w[_SLOPE + j]
                    w[_F0 + j] = p * a0 + q * a1 + r * a2 + w[_STIFF + j] * (rest + x0 * slope)
                    w[_F1 + j] = p * b0 + q * b1 + r * b2 + w[_STIFF + j] * (rest + x1 * slope)
                for j in range(LANES):
                    t = w[_TILT + j]
                    kick = w[_KICK + j]
                    r = w[_RATE + j] - kick * t * t * t
                    u0 = w[_U0 + j]
                    u1 = w[_U1 + j]
                    f0 = w[_F0 + j]
                    f1 = w[_F1 + j]
                    tn = (
                        w[_STEP + j] * t + w[_STEP + LANES + j] * r
                        + w[_STEP + 2 * LANES + j] * u0 + w[_STEP + 3 * LANES + j] * u1
                        + w[_STEP + 4 * LANES + j] * f0 + w[_STEP + 5 * LANES + j] * f1
                    )  # fmt: skip
                    rn = (
                        w[_STEP + 6 * LANES + j] * t + w[_STEP + 7 * LANES + j] * r
                        + w[_STEP + 8 * LANES + j] * u0 + w[_STEP + 9 * LANES + j] * u1
                        + w[_STEP + 10 * LANES + j] * f0 + w[_STEP + 11 * LANES + j] * f1
                    )  # fmt: skip
                    w[_TILT + j] = tn
                    w[_RATE + j] = rn - kick * tn * tn * tn
                for j in range(LANES):
                    limit = w[_TRAVEL + j]
                    t = w[_TILT + j]
                    over = abs(t) > limit
                    hit[j] |= over
                    w[_TILT + j] = min(max(t, -limit), limit)
                    w[_RATE + j] = 0.0 if over and w[_RATE + j] * t > 0.0 else w[_RATE + j]
            for i in range(count):
                stops[start + i] += hit[i] | hit[BLOCK + i]
                history[n + 1, 0, start + i] = w[_TILT + i]
                history[n + 1, 1, start + i] = w[_TILT + BLOCK + i]
        for a in range(2):
            for i in range(count):
                j = a * BLOCK + i
                tilt[a, start + i] = w[_TILT + j]
                rate[a, start + i] = w[_RATE + j]
                volt[a, start + i] = w[_VOLT + j]


@njit(inline="always")
def _ask(w, row, change, fleet, drive):  # type: ignore[no-untyped-def]
    """Static tilt that a block's voltages ask for, the other axis' share added."""
    if drive.square:
        for j in range(LANES):
            w[row + j] = w[_TRUE + j] * w[_VOLT + j] * abs(w[_VOLT + j]) * change
    else:
        for j in range(LANES):
            w[row + j] = w[_TRUE + j] * w[_VOLT + j] * change
    for i in range(BLOCK):
        x = w[row + i]
        y = w[row + BLOCK + i]
        w[row + i] = x + fleet.cross[0] * y
        w[row + BLOCK + i] = y + fleet.cross[1] * x


@njit(inline="always")
def _amplified(volt, wanted, drive):  # type: ignore[no-untyped-def]
    """Amplifier output one step later: a first-order lag whose slope is limited."""
    gap = wanted - volt
    if abs(gap) <= drive.slew_v:
        return volt + gap * (1.0 - drive.decay)
    ramp_s = (abs(gap) - drive.slew_v) * drive.lag_s / drive.slew_v
    if ramp_s >= drive.step_s:
        return volt + math.copysign(drive.slew_v * drive.step_s / drive.lag_s, gap)
    left = drive.slew_v * math.exp(-(drive.step_s - ramp_s) / drive.lag_s)
    return wanted - math.copysign(left, gap)


@njit(cache=True, parallel=True, error_model="numpy")
def expose(  # type: ignore[no-untyped-def]
    frames, sums, position, mirrors, frame, camera, noise, seed, stream, threshold, keep
):
    """Make every mirror's frame, and the sums of its thresholded centre of gravity.

    `position` (S, 2, M) is the spot's path over the exposure in window pixels; `frames` (M, H, W)
    is filled if `keep`, `sums` (M, 3) always.
    """
    n_samples, _, n_mirrors = position.shape
    height, width = frames.shape[1], frames.shape[2]
    n_px = height * width
    groups = (n_px + 3) // 4
    n_blocks = (n_mirrors + BLOCK - 1) // BLOCK
    for block in prange(n_blocks):
        edge = np.empty(n_samples * (width + height + 2), F32)
        gx = np.empty((n_samples, width), F32)
        gy = np.empty((n_samples, height), F32)
        z = np.empty(4 * groups, F32)
        electrons = np.empty(n_px, F32)
        digital = np.empty(n_px, np.int32)
        column = np.empty(n_px, np.int32)
        row = np.empty(n_px, np.int32)
        for i in range(n_px):
            column[i] = i % width
            row[i] = i // width
        scale = F32(1.0 / (math.sqrt(2.0) * camera.sigma_px))
        share = F32(0.25 * camera.signal_e / n_samples)
        for m in range(block * BLOCK, min((block + 1) * BLOCK, n_mirrors)):
            at = 0
            for s in range(n_samples):
                x = F32(position[s, 0, m])
                y = F32(position[s, 1, m])
                for i in range(width + 1):
                    edge[at + i] = (F32(i) - F32(0.5) - x) * scale
                at += width + 1
                for i in range(height + 1):
                    edge[at + i] = (F32(i) - F32(0.5) - y) * scale
                at += height + 1
            for i in range(at):
                edge[i] = _erf(edge[i])
            at = 0
            for s in range(n_samples):
                for i in range(width):
                    gx[s, i] = edge[at + i + 1] - edge[at + i]
                at += width + 1
                for i in range(height):
                    gy[s, i] = (edge[at + i + 1] - edge[at + i]) * share
                at += height + 1
            for i in range(n_px):
                electrons[i] = F32(camera.background_e)
            for s in range(n_samples):
                for j in range(height):
                    weight = gy[s, j]
                    for i in range(width):
                        electrons[j * width + i] += weight * gx[s, i]
            if noise == NOISE_FAST:
                _normals(z, groups, U32(frame), U32(mirrors[m]), U32(seed), U32(stream))
                read = F32(camera.read_noise_e * camera.read_noise_e)
                for i in range(n_px):
                    mu = electrons[i]
                    var = mu + read
                    electrons[i] = (
                        mu + np.sqrt(var) * z[i] + mu / (F32(6.0) * var) * (z[i] * z[i] - F32(1.0))
                    )
            elif noise == NOISE_EXACT:
                for i in range(n_px):
                    electrons[i] = _exact(
                        electrons[i], camera.read_noise_e, i, frame, mirrors[m], seed, stream
                    )
            gain = F32(camera.gain_dn_per_e)
            black = F32(camera.black_dn + 0.5)
            well = F32(camera.full_well_e)
            top = F32(camera.full_scale_dn)
            for i in range(n_px):
                level = np.floor(min(electrons[i], well) * gain + black)
                digital[i] = np.int32(min(max(level, F32(0.0)), top))
            if keep:
                for i in range(n_px):
                    frames[m, row[i], column[i]] = digital[i]
            s0 = np.int64(0)
            sx = np.int64(0)
            sy = np.int64(0)
            for j in range(height):
                r0 = np.int32(0)
                rx = np.int32(0)
                for i in range(width):
                    lit = max(digital[j * width + i] - np.int32(threshold), np.int32(0))
                    r0 += lit
                    rx += np.int32(lit * np.int32(i))
                s0 += r0
                sx += rx
                sy += r0 * j
            sums[m, 0] = s0
            sums[m, 1] = sx
            sums[m, 2] = sy


@njit(inline="always")
def _cells(out, centre, scale):  # type: ignore[no-untyped-def]
    """Fill `out` with twice the share of a unit spot in each cell along one axis."""
    before = _erf((F32(0.0) - F32(0.5) - centre) * scale)
    for i in range(out.shape[0]):
        after = _erf((F32(i + 1) - F32(0.5) - centre) * scale)
        out[i] = after - before
        before = after


@njit(cache=True, parallel=True, error_model="numpy")
def expose_scene(  # type: ignore[no-untyped-def]
    frames, sums, position, mirrors, frame, camera, noise, seed, stream, threshold, keep,
    origin, scene, warmth,
):  # fmt: skip
    """Make frames of windows that see more than their own spot, on pixels that differ.

    As `expose`; `position` (S, 2, M) is in sensor pixels, and `frames` (K, H, W) start at
    `origin` (K, 2) of the sensor.
    """
    n_samples = position.shape[0]
    n_windows, height, width = frames.shape
    n_px = height * width
    groups = (n_px + 3) // 4
    last_y = scene.response.shape[1] - 1
    last_x = scene.response.shape[2] - 1
    last_sensor = scene.response.shape[0] - 1
    ghosts = 2 if scene.ghost > 0.0 else 1
    n_blocks = (n_windows + BLOCK - 1) // BLOCK
    for block in prange(n_blocks):
        gx = np.empty(width, F32)
        gy = np.empty(height, F32)
        z = np.empty(4 * groups, F32)
        electrons = np.empty(n_px, F32)
        scale = F32(1.0 / (math.sqrt(2.0) * camera.sigma_px))
        far = 9.0 * camera.sigma_px + 1.0
        for k in range(block * BLOCK, min((block + 1) * BLOCK, n_windows)):
            for i in range(n_px):
                electrons[i] = F32(camera.background_e)
            for q in range(scene.spots.shape[1]):
                n = scene.spots[k, q]
                if n < 0:
                    continue
                for g in range(ghosts):
                    strength = scene.ghost if g == 1 else 1.0
                    dx = scene.ghost_x_px if g == 1 else 0.0
                    dy = scene.ghost_y_px if g == 1 else 0.0
                    share = F32(0.25 * camera.signal_e * strength / n_samples)
                    for s in range(n_samples):
                        x = position[s, 0, n] - origin[k, 0] + dx
                        y = position[s, 1, n] - origin[k, 1] + dy
                        if x < -far or x > width + far or y < -far or y > height + far:
                            continue  # single precision would add exactly nothing
                        _cells(gx, F32(x), scale)
                        _cells(gy, F32(y), scale)
                        for j in range(height):
                            weight = gy[j] * share
                            for i in range(width):
                                electrons[j * width + i] += weight * gx[i]
            sensor = min(scene.sensor[k], last_sensor)
            for j in range(height):
                row = min(max(np.int64(origin[k, 1]) + j, 0), last_y)
                for i in range(width):
                    column = min(max(np.int64(origin[k, 0]) + i, 0), last_x)
                    electrons[j * width + i] = (
                        electrons[j * width + i] * scene.response[sensor, row, column]
                        + scene.dark[sensor, row, column] * F32(warmth)
                    )
            if noise == NOISE_FAST:
                _normals(z, groups, U32(frame), U32(mirrors[k]), U32(seed), U32(stream))
                read = F32(camera.read_noise_e * camera.read_noise_e)
                for i in range(n_px):
                    mu = electrons[i]
                    var = mu + read
                    electrons[i] = (
                        mu + np.sqrt(var) * z[i] + mu / (F32(6.0) * var) * (z[i] * z[i] - F32(1.0))
                    )
            elif noise == NOISE_EXACT:
                for i in range(n_px):
                    electrons[i] = _exact(
                        electrons[i], camera.read_noise_e, i, frame, mirrors[k], seed, stream
                    )
            gain = F32(camera.gain_dn_per_e)
            black = F32(camera.black_dn + 0.5)
            well = F32(camera.full_well_e)
            top = F32(camera.full_scale_dn)
            s0 = np.int64(0)
            sx = np.int64(0)
            sy = np.int64(0)
            for j in range(height):
                row = min(max(np.int64(origin[k, 1]) + j, 0), last_y)
                for i in range(width):
                    column = min(max(np.int64(origin[k, 0]) + i, 0), last_x)
                    charge = min(electrons[j * width + i], well) + scene.offset[sensor, row, column]
                    level = np.floor(charge * gain + black)
                    digital = np.int32(min(max(level, F32(0.0)), top))
                    if keep:
                        frames[k, j, i] = digital
                    lit = np.int64(max(digital - np.int32(threshold), np.int32(0)))
                    s0 += lit
                    sx += lit * i
                    sy += lit * j
            sums[k, 0] = s0
            sums[k, 1] = sx
            sums[k, 2] = sy


@njit(inline="always")
def _normals(z, groups, frame, mirror, seed, stream):  # type: ignore[no-untyped-def]
    """Fill `z` with standard normals: word pairs of group g go to g, G+g, 2G+g and 3G+g."""
    for g in range(groups):
        w0, w1, w2, w3 = _philox(U32(g), frame, mirror, U32(0), seed, stream)
        r = _radius(w0)
        s, c = _half_turn(w1)
        z[g] = r * (F32(1.0) - F32(2.0) * s * s)
        z[groups + g] = r * (F32(2.0) * s * c)
        r = _radius(w2)
        s, c = _half_turn(w3)
        z[2 * groups + g] = r * (F32(1.0) - F32(2.0) * s * s)
        z[3 * groups + g] = r * (F32(2.0) * s * c)


@njit
def _exact(mean, read_noise, pixel, frame, mirror, seed, stream):  # type: ignore[no-untyped-def]
    """One pixel: Poisson (W. Hoermann, 1993, PTRS; by multiplication below 10) plus read noise."""
    draw = U32(1)
    w0, w1, w2, w3 = _philox(
        U32(pixel), U32(frame), U32(mirror), draw, U32(seed), U32(stream)
    )
    r = math.sqrt(-2.0 * math.log((w0 + 0.5) * 2.0**-32))
    z = r * math.cos(2.0 * math.pi * (w1 + 0.5) * 2.0**-32)
    count = 0.0
    if mean < 10.0:
        limit = math.exp(-mean)
        product = 1.0
        count = -1.0
        while count < 0.0 or product > limit:
            draw = U32(draw + U32(1))
            w0, w1, w2, w3 = _philox(
                U32(pixel), U32(frame), U32(mirror), draw, U32(seed), U32(stream)
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
            w0, w1, w2, w3 = _philox(
                U32(pixel), U32(frame), U32(mirror), draw, U32(seed), U32(stream)
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


@njit(cache=True, error_model="numpy")
def observe_mirrors(  # type: ignore[no-untyped-def]
    first_tick, history, aim, tolerance_rad, interval,
    error, mean, square, peak, first_out, last_out,
):  # fmt: skip
    """Add one frame's ticks of error to the traces of mirrors."""
    n_ticks = history.shape[0] - 1
    limit = tolerance_rad * tolerance_rad
    for m in range(aim.shape[1]):
        for n in range(n_ticks):
            tick = first_tick + n
            row = tick // interval
            if row >= square.shape[0]:
                break
            ex = history[n + 1, 0, m] - aim[0, m]
            ey = history[n + 1, 1, m] - aim[1, m]
            radial = ex * ex + ey * ey
            mean[row, m, 0] += F32(ex / interval)
            mean[row, m, 1] += F32(ey / interval)
            square[row, m] += F32(radial / interval)
            peak[row, m] = max(peak[row, m], F32(math.sqrt(radial)))
            at = np.int32(tick % interval + 1)
            if radial > limit:
                if first_out[row, m] == 0:
                    first_out[row, m] = at
                last_out[row, m] = at
            if at == interval:
                error[row, m, 0] = F32(ex)
                error[row, m, 1] = F32(ey)


@njit(cache=True, error_model="numpy")
def observe_connections(  # type: ignore[no-untyped-def]
    first_tick, history, aim, pairs, form, limit_db, interval,
    excess, mean, peak, first_out, last_out, ticks_out,
):  # fmt: skip
    """Add one frame's ticks of excess loss to the traces of connections."""
    n_ticks = history.shape[0] - 1
    for c in range(pairs.shape[0]):
        e = np.empty(4)
        ma = pairs[c, 0]
        mb = pairs[c, 1]
        for n in range(n_ticks):
            tick = first_tick + n
            row = tick // interval
            if row >= mean.shape[0]:
                break
            e[0] = history[n + 1, 0, ma] - aim[0, ma]
            e[1] = history[n + 1, 1, ma] - aim[1, ma]
            e[2] = history[n + 1, 0, mb] - aim[0, mb]
            e[3] = history[n + 1, 1, mb] - aim[1, mb]
            loss = 0.0
            for i in range(4):
                for j in range(4):
                    loss += form[c, i, j] * e[i] * e[j]
            mean[row, c] += F32(loss / interval)
            peak[row, c] = max(peak[row, c], F32(loss))
            at = np.int32(tick % interval + 1)
            if loss > limit_db:
                if first_out[row, c] == 0:
                    first_out[row, c] = at
                last_out[row, c] = at
                ticks_out[row, c] += 1
            if at == interval:
                excess[row, c] = F32(loss)
