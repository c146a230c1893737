"""The hot loops, compiled. `sim.kernels_numpy` says in plain numpy what each one means.

Work is cut into blocks of sixteen mirrors, one to each lane (see `sim.lanes`), and blocks are
shared among threads. No fast-math: one and two threads, and different vector instruction sets,
agree bit for bit. Arrays run over mirrors last, (2, M), so that lanes are contiguous.
"""

import math

import numpy as np
from numba import njit, prange

from sim.approximations import COS, ERF, LN, LN_2, SIN
from sim.compiled import inlined, kernel, serial_kernel
from sim.lanes import (
    N,
    any_above,
    as_float32,
    as_int32,
    as_uint32,
    copysign,
    fabs,
    float32_to_64,
    float64_to_32,
    float_to_int32,
    floor,
    greater,
    int32_to_64,
    int_to_float32,
    lesser,
    load,
    load_some,
    low_word,
    spread,
    sqrt,
    store,
    store_some,
    uint32_to_64,
    where_above,
)
from sim.ports import SpotStatus

U32 = np.uint32
U64 = np.uint64
I32 = np.int32
I64 = np.int64
F32 = np.float32
M0, M1 = U64(0xD2511F53), U64(0xCD9E8D57)
W0, W1 = U32(0x9E3779B9), U32(0xBB67AE85)
S32 = U64(32)
LOW = U64(0xFFFFFFFF)
NOISE_NONE, NOISE_FAST, NOISE_EXACT = 0, 1, 2
OK, DIM, EDGE = (int(status) for status in (SpotStatus.OK, SpotStatus.DIM, SpotStatus.EDGE))
FAR_PX = 1e6


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


@inlined
def philox_lanes(c0, c1, c2, c3, k0, k1):  # type: ignore[no-untyped-def]
    """Philox4x32-10 of sixteen counters; the words stay in 64 bits, of which the low 32 count."""
    a = uint32_to_64(c0)
    b = uint32_to_64(c1)
    c = uint32_to_64(c2)
    d = uint32_to_64(c3)
    for _ in range(10):
        p0 = (a & LOW) * M0
        p1 = (c & LOW) * M1
        a = (p1 >> S32) ^ b ^ U64(k0)
        c = (p0 >> S32) ^ d ^ U64(k1)
        b = p1
        d = p0
        k0 = U32(k0 + W0)
        k1 = U32(k1 + W1)
    return low_word(a), low_word(b), low_word(c), low_word(d)


@inlined
def _radius(word):  # type: ignore[no-untyped-def]
    """sqrt(-2 ln u) for u = (word >> 8 + 1/2) / 2^24, its logarithm by a polynomial."""
    v = int_to_float32(as_int32(word >> U32(8))) + F32(0.5)
    bits = as_int32(v)
    power = (bits - I32(0x3F3504F3)) >> I32(23)
    f = as_float32(bits - (power << I32(23))) - F32(1.0)
    p = f * F32(LN[0]) + F32(LN[1])
    p = p * f + F32(LN[2])
    p = p * f + F32(LN[3])
    p = p * f + F32(LN[4])
    p = p * f + F32(LN[5])
    p = p * f + F32(LN[6])
    return sqrt(int_to_float32(power - I32(24)) * F32(LN_2) + p * f)


@inlined
def normal_pair(radius_word, angle_word):  # type: ignore[no-untyped-def]
    """Two standard normals from two words: Box and Muller, the angle as eighth and quarter."""
    r = _radius(radius_word)
    t = int_to_float32(as_int32(angle_word << U32(2))) * F32(2.0**-33)
    s = t * t
    p = s * F32(SIN[0]) + F32(SIN[1])
    p = p * s + F32(SIN[2])
    p = (p * s + F32(SIN[3])) * t
    q = s * F32(COS[0]) + F32(COS[1])
    q = q * s + F32(COS[2])
    q = q * s + F32(COS[3])
    sine = as_uint32(p * r)
    cosine = as_uint32(q * r) ^ (angle_word & U32(0x80000000))
    swap = (sine ^ cosine) & as_uint32(as_int32(angle_word << U32(1)) >> I32(31))
    return as_float32(cosine ^ swap), as_float32(sine ^ swap)


@inlined
def _erf(x):  # type: ignore[no-untyped-def]
    """Abramowitz and Stegun 7.1.28, within 3e-7."""
    a = fabs(x)
    p = a * F32(ERF[0]) + F32(ERF[1])
    p = p * a + F32(ERF[2])
    p = p * a + F32(ERF[3])
    p = p * a + F32(ERF[4])
    p = p * a + F32(ERF[5])
    p = p * a + F32(ERF[6])
    p = p * p
    p = p * p
    p = p * p
    p = p * p
    return copysign(F32(1.0) - F32(1.0) / p, x)


@inlined
def _names(mirrors, start, count):  # type: ignore[no-untyped-def]
    """Numbers of a block's mirrors."""
    names = np.zeros(N, U32)
    for i in range(count):
        names[i] = U32(mirrors[start + i])
    return load(names, 0)


@kernel
def amplifier_noise(out, mirrors, frame, seed, stream):  # type: ignore[no-untyped-def]
    """Fill `out` (T, 2, M) with standard normals named by (mirror, frame, pair of ticks)."""
    n_ticks, _, n_mirrors = out.shape
    for block in prange((n_mirrors + N - 1) // N):
        start = block * N
        count = min(N, n_mirrors - start)
        names = _names(mirrors, start, count)
        for pair in range((n_ticks + 1) // 2):
            w0, w1, w2, w3 = philox_lanes(
                spread(U32(pair)), spread(U32(frame)), names, spread(U32(0)), U32(seed), U32(stream)
            )
            x, y = normal_pair(w0, w1)
            store_some(out, (2 * pair, 0, start), count, x)
            store_some(out, (2 * pair, 1, start), count, y)
            if 2 * pair + 1 < n_ticks:
                x, y = normal_pair(w2, w3)
                store_some(out, (2 * pair + 1, 0, start), count, x)
                store_some(out, (2 * pair + 1, 1, start), count, y)


# Rows of a block's constants, each of two lanes: x, then y.
ROW = 2 * N
_STIFF, _KICK, _TRUE, _STEPS, _TRAVEL, _REST, _SLOPE = (ROW * i for i in range(7))
_BEFORE, _AFTER = ROW * 7, ROW * 8
_IMBALANCE = ROW * 9
_STEP = ROW * 12
_ROWS = 24


@njit
def _constants(  # type: ignore[no-untyped-def]
    start, count, before, after, rest_start, rest_end, fleet, drive
):
    """Collect what stays the same for a block over the ticks of a call."""
    w = np.zeros(_ROWS * ROW)
    one = spread(1.0)
    for a in range(2):
        at = a * N
        place = (a, start)
        stiffness = load_some(fleet.stiffness, place, count)
        rest = load_some(rest_start, place, count)
        store(w, _TRUE + at, one)
        store(w, _STEPS + at, one)
        store_some(w, _TRUE + at, count, load_some(fleet.true_gain, place, count))
        store_some(w, _STEPS + at, count, load_some(fleet.believed_gain, place, count))
        store(w, _STIFF + at, stiffness)
        store(w, _KICK + at, 0.5 * drive.step_s * fleet.cubic[a] * stiffness)
        store(w, _TRAVEL + at, spread(fleet.travel_rad[a]))
        store(w, _REST + at, rest)
        store(w, _SLOPE + at, load_some(rest_end, place, count) - rest)
        store(w, _BEFORE + at, load_some(before, place, count))
        store(w, _AFTER + at, load_some(after, place, count))
        for k in range(3):
            row = _IMBALANCE + k * ROW + at
            store(w, row, load_some(fleet.imbalance, (a, k, start), count))
        for k in range(12):
            row = _STEP + k * ROW + at
            store(w, row, load_some(fleet.step, (k, a, start), count))
    return w


@inlined
def _coded(asked, gain, drive):  # type: ignore[no-untyped-def]
    """Voltage of the DAC code nearest to a wanted static tilt."""
    ratio = asked / gain
    if drive.square:
        ratio = copysign(sqrt(fabs(ratio)), ratio)
    code = floor(ratio / drive.lsb_v + 0.5)
    return drive.lsb_v * lesser(greater(code, spread(-drive.codes)), spread(drive.codes - 1.0))


@inlined
def _force(w, axis, tick, n_ticks, acceleration):  # type: ignore[no-untyped-def]
    """Angular acceleration from shaking and from wandering rest at the edge of a tick."""
    at = _IMBALANCE + axis
    shaken = (
        load(w, at) * acceleration[tick, 0]
        + load(w, at + ROW) * acceleration[tick, 1]
        + load(w, at + 2 * ROW) * acceleration[tick, 2]
    )
    rest = load(w, _REST + axis) + load(w, _SLOPE + axis) * (tick / n_ticks)
    return shaken + load(w, _STIFF + axis) * rest


@inlined
def _asked(volt, gain, change, square):  # type: ignore[no-untyped-def]
    """Static tilt that a voltage asks for."""
    if square:
        return gain * volt * fabs(volt) * change
    return gain * volt * change


@inlined
def _moved(w, row, t, r, u0, u1, f0, f1):  # type: ignore[no-untyped-def]
    """One row of the propagator: the next tilt, or the next rate."""
    return (
        load(w, row) * t
        + load(w, row + ROW) * r
        + load(w, row + 2 * ROW) * u0
        + load(w, row + 3 * ROW) * u1
        + load(w, row + 4 * ROW) * f0
        + load(w, row + 5 * ROW) * f1
    )


@inlined
def _halted(t, r, limit):  # type: ignore[no-untyped-def]
    """Tilt kept within its stops, and the rate against a stop gone."""
    zero = spread(0.0)
    inward = where_above(r * t, zero, zero, r)
    return lesser(greater(t, zero - limit), limit), where_above(fabs(t), limit, inward, r)


@inlined
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


@njit
def _slewed(volt, wanted, drive):  # type: ignore[no-untyped-def]
    """Amplifier outputs one step later where the slew limit is met, one by one."""
    spare = np.empty(2 * N)
    store(spare, 0, volt)
    store(spare, N, wanted)
    for i in range(N):
        spare[i] = _amplified(spare[i], spare[N + i], drive)
    return load(spare, 0)


@njit
def _advance_block(  # type: ignore[no-untyped-def]
    start, count, tilt, rate, volt, stops, history, first, last, path, before, after, change,
    acceleration, rest_start, rest_end, gain_start, gain_end, noise, fleet, drive,
):  # fmt: skip
    n_ticks = path.shape[0]
    sub = drive.substeps
    lagged = 1.0 - drive.decay
    slew_v = spread(drive.slew_v)
    w = _constants(start, count, before, after, rest_start, rest_end, fleet, drive)
    tx = load_some(tilt, (0, start), count)
    ty = load_some(tilt, (1, start), count)
    rx = load_some(rate, (0, start), count)
    ry = load_some(rate, (1, start), count)
    vx = load_some(volt, (0, start), count)
    vy = load_some(volt, (1, start), count)
    kx = load(w, _KICK) * tx * tx * tx
    ky = load(w, _KICK + N) * ty * ty * ty
    fx = _force(w, 0, first, n_ticks, acceleration)
    fy = _force(w, N, first, n_ticks, acceleration)
    now = 1.0 + gain_start + (gain_end - gain_start) * (first / n_ticks)
    ax = _asked(vx, load(w, _TRUE), now, drive.square)
    ay = _asked(vy, load(w, _TRUE + N), now, drive.square)
    ux = ax + ay * fleet.cross[0]
    uy = ay + ax * fleet.cross[1]
    for n in range(first, last):
        held = _BEFORE if n < change else _AFTER
        wanted_x = load_some(path, (n, 0, start), count) + load(w, held)
        wanted_y = load_some(path, (n, 1, start), count) + load(w, held + N)
        wanted_x = _coded(wanted_x, load(w, _STEPS), drive)
        wanted_y = _coded(wanted_y, load(w, _STEPS + N), drive)
        slews = any_above(fabs(wanted_x - vx), slew_v) or any_above(fabs(wanted_y - vy), slew_v)
        tick_x = fx
        tick_y = fy
        rise_x = _force(w, 0, n + 1, n_ticks, acceleration) - fx
        rise_y = _force(w, N, n + 1, n_ticks, acceleration) - fy
        hit = spread(I64(0))
        for i in range(sub):
            share = (i + 1) / sub
            if slews:
                vx = _slewed(vx, wanted_x, drive)
                vy = _slewed(vy, wanted_y, drive)
            else:
                vx = vx + (wanted_x - vx) * lagged
                vy = vy + (wanted_y - vy) * lagged
            if i == sub - 1 and noise.shape[0] > 0:
                vx = vx + float32_to_64(load_some(noise, (n, 0, start), count)) * drive.noise_v
                vy = vy + float32_to_64(load_some(noise, (n, 1, start), count)) * drive.noise_v
            now = 1.0 + gain_start + (gain_end - gain_start) * ((n + share) / n_ticks)
            ax = _asked(vx, load(w, _TRUE), now, drive.square)
            ay = _asked(vy, load(w, _TRUE + N), now, drive.square)
            next_ux = ax + ay * fleet.cross[0]
            next_uy = ay + ax * fleet.cross[1]
            next_fx = tick_x + rise_x * share
            next_fy = tick_y + rise_y * share
            rx = rx - kx
            ry = ry - ky
            next_tx = _moved(w, _STEP, tx, rx, ux, next_ux, fx, next_fx)
            next_ty = _moved(w, _STEP + N, ty, ry, uy, next_uy, fy, next_fy)
            rx = _moved(w, _STEP + 6 * ROW, tx, rx, ux, next_ux, fx, next_fx)
            ry = _moved(w, _STEP + 6 * ROW + N, ty, ry, uy, next_uy, fy, next_fy)
            tx = next_tx
            ty = next_ty
            limit_x = load(w, _TRAVEL)
            limit_y = load(w, _TRAVEL + N)
            if any_above(fabs(tx), limit_x) or any_above(fabs(ty), limit_y):
                hit = where_above(fabs(tx), limit_x, spread(I64(1)), hit)
                hit = where_above(fabs(ty), limit_y, spread(I64(1)), hit)
                tx, rx = _halted(tx, rx, limit_x)
                ty, ry = _halted(ty, ry, limit_y)
            kx = load(w, _KICK) * tx * tx * tx
            ky = load(w, _KICK + N) * ty * ty * ty
            rx = rx - kx
            ry = ry - ky
            ux = next_ux
            uy = next_uy
            fx = next_fx
            fy = next_fy
        store_some(stops, start, count, load_some(stops, start, count) + hit)
        store_some(history, (n + 1, 0, start), count, tx)
        store_some(history, (n + 1, 1, start), count, ty)
    store_some(tilt, (0, start), count, tx)
    store_some(tilt, (1, start), count, ty)
    store_some(rate, (0, start), count, rx)
    store_some(rate, (1, start), count, ry)
    store_some(volt, (0, start), count, vx)
    store_some(volt, (1, start), count, vy)


@kernel
def advance(  # type: ignore[no-untyped-def]
    tilt, rate, volt, stops, history, first, last, path, before, after, change,
    acceleration, rest_start, rest_end, gain_start, gain_end, noise, fleet, drive,
):  # fmt: skip
    """Move the fleet through ticks `first` to `last` of one frame; see the plain form."""
    n_mirrors = tilt.shape[1]
    for block in prange((n_mirrors + N - 1) // N):
        start = block * N
        _advance_block(
            start, min(N, n_mirrors - start), tilt, rate, volt, stops, history, first, last, path,
            before, after, change, acceleration, rest_start, rest_end, gain_start, gain_end, noise,
            fleet, drive,
        )  # fmt: skip


@inlined
def _cells(out, at, stride, n, centre, scale, share):  # type: ignore[no-untyped-def]
    """Write the light of a spot in each of `n` cells along one axis, `stride` items apart."""
    middle = centre * scale
    before = _erf(F32(-0.5) * scale - middle)
    for i in range(n):
        after = _erf((F32(i) + F32(0.5)) * scale - middle)
        store(out, at + i * stride, (after - before) * share)
        before = after


@inlined
def _lit(row, j, gx, gy, lights, used, background):  # type: ignore[no-untyped-def]
    """Add up the light in row `j` of a block's windows: four sources at a time."""
    columns = row.size // N
    step = N * lights
    for s in range(0, max(used, 1), 4):
        at = j * step + s * N
        y0 = load(gy, at)
        y1 = load(gy, at + N)
        y2 = load(gy, at + 2 * N)
        y3 = load(gy, at + 3 * N)
        at = s * N
        for i in range(columns):
            light = background if s == 0 else load(row, i * N)
            light = light + y0 * load(gx, at)
            light = light + y1 * load(gx, at + N)
            light = light + y2 * load(gx, at + 2 * N)
            light = light + y3 * load(gx, at + 3 * N)
            store(row, i * N, light)
            at += step


@inlined
def _noisy(mean, z, read):  # type: ignore[no-untyped-def]
    """Skewed normal with the mean and variance of Poisson plus read noise."""
    var = mean + read
    return mean + sqrt(var) * z + mean / (var * F32(6.0)) * (z * z - F32(1.0))


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


@inlined
def _scattered(  # type: ignore[no-untyped-def]
    row, j, names, count, frame, camera, noise, seed, stream
):
    """Turn expected electrons of row `j` into electrons; four pixels share a draw."""
    groups = row.size // (4 * N)
    if noise == NOISE_FAST:
        read = F32(camera.read_noise_e * camera.read_noise_e)
        for q in range(groups):
            w0, w1, w2, w3 = philox_lanes(
                spread(U32(j * groups + q)), spread(U32(frame)), names, spread(U32(0)),
                U32(seed), U32(stream),
            )  # fmt: skip
            at = 4 * q * N
            a, b = normal_pair(w0, w1)
            store(row, at, _noisy(load(row, at), a, read))
            store(row, at + N, _noisy(load(row, at + N), b, read))
            a, b = normal_pair(w2, w3)
            store(row, at + 2 * N, _noisy(load(row, at + 2 * N), a, read))
            store(row, at + 3 * N, _noisy(load(row, at + 3 * N), b, read))
    elif noise == NOISE_EXACT:
        spare = np.empty(N, U32)
        store(spare, 0, names)
        for i in range(4 * groups):
            for k in range(count):
                row[i * N + k] = _exact(
                    row[i * N + k], camera.read_noise_e, 4 * groups * j + i, frame, spare[k], seed,
                    stream,
                )  # fmt: skip


@inlined
def _read_out(row, width, well, camera, threshold):  # type: ignore[no-untyped-def]
    """Sums of a row's digital numbers above the threshold: plain, and weighted by column.

    Numbers are cut off at the threshold from below, and its share is taken away at the end. The
    weighted sum is a running sum of running sums from the last column on; 32 bits hold it for
    16-bit pixels in up to 256 columns.
    """
    black = F32(camera.black_dn + 0.5)
    gain = F32(camera.gain_dn_per_e)
    dark = min(max(threshold, 0), int(camera.full_scale_dn))
    low = spread(F32(dark))
    full = spread(F32(well))
    top = spread(F32(camera.full_scale_dn))
    total = spread(I32(0))
    weighted = spread(I32(0))
    for i in range(width - 1, -1, -1):
        level = lesser(load(row, i * N), full) * gain + black
        weighted = weighted + total
        total = total + float_to_int32(lesser(greater(level, low), top))
    share = dark if threshold >= 0 else threshold
    pixels = I64(share) * I64(width)
    columns = pixels * I64(width - 1) // I64(2)
    return int32_to_64(total) - pixels, int32_to_64(weighted) - columns


@njit
def _kept(frames, row, dn, j, start, count, well, camera):  # type: ignore[no-untyped-def]
    """Write the digital numbers of row `j` of a block's windows to their frames."""
    width = frames.shape[2]
    black = F32(camera.black_dn + 0.5)
    gain = F32(camera.gain_dn_per_e)
    top = spread(F32(camera.full_scale_dn))
    for i in range(width):
        level = lesser(load(row, i * N), spread(F32(well))) * gain + black
        store(dn, i * N, float_to_int32(lesser(greater(level, spread(F32(0.0))), top)))
    for k in range(count):
        for i in range(width):
            frames[start + k, j, i] = dn[i * N + k]


@inlined
def _summed(sums, start, count, s0, sx, sy):  # type: ignore[no-untyped-def]
    spare = np.empty(3 * N, I64)
    store(spare, 0, s0)
    store(spare, N, sx)
    store(spare, 2 * N, sy)
    for k in range(count):
        for c in range(3):
            sums[start + k, c] = spare[c * N + k]


@njit
def _expose_block(  # type: ignore[no-untyped-def]
    start, count, frames, sums, position, mirrors, frame, camera, noise, seed, stream, threshold,
    keep,
):  # fmt: skip
    n_samples = position.shape[0]
    height, width = frames.shape[1], frames.shape[2]
    lights = (n_samples + 3) // 4 * 4
    columns = (width + 3) // 4 * 4
    gx = np.zeros(lights * columns * N, F32)
    gy = np.zeros(lights * height * N, F32)
    row = np.empty(columns * N, F32)
    dn = np.empty(columns * N, I32)
    names = _names(mirrors, start, count)
    scale = F32(1.0 / (math.sqrt(2.0) * camera.sigma_px))
    share = F32(0.25 * camera.signal_e / n_samples)
    for s in range(n_samples):
        x = float64_to_32(load_some(position, (s, 0, start), count))
        y = float64_to_32(load_some(position, (s, 1, start), count))
        _cells(gx, s * N, lights * N, width, x, scale, F32(1.0))
        _cells(gy, s * N, lights * N, height, y, scale, share)
    background = spread(F32(camera.background_e))
    s0 = spread(I64(0))
    sx = spread(I64(0))
    sy = spread(I64(0))
    for j in range(height):
        _lit(row, j, gx, gy, lights, lights, background)
        _scattered(row, j, names, count, frame, camera, noise, seed, stream)
        total, weighted = _read_out(row, width, camera.full_well_e, camera, threshold)
        if keep:
            _kept(frames, row, dn, j, start, count, camera.full_well_e, camera)
        s0 = s0 + total
        sx = sx + weighted
        sy = sy + total * I64(j)
    _summed(sums, start, count, s0, sx, sy)


@kernel
def expose(  # type: ignore[no-untyped-def]
    frames, sums, position, mirrors, frame, camera, noise, seed, stream, threshold, keep
):
    """Make every mirror's frame, and the sums of its thresholded centre of gravity.

    `position` (S, 2, M) is the spot's path over the exposure in window pixels; `frames` (M, H, W)
    is filled if `keep`, `sums` (M, 3) always.
    """
    n_mirrors = position.shape[2]
    for block in prange((n_mirrors + N - 1) // N):
        start = block * N
        _expose_block(
            start, min(N, n_mirrors - start), frames, sums, position, mirrors, frame, camera, noise,
            seed, stream, threshold, keep,
        )  # fmt: skip


@njit
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


@njit
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
                    _cells(gx, used * N, lights * N, width, load(at, 0), scale, F32(1.0))
                    _cells(gy, used * N, lights * N, height, load(at, N), scale, share)
                    used += 1
    return used


@njit
def _expose_scene_block(  # type: ignore[no-untyped-def]
    start, count, frames, sums, position, mirrors, frame, camera, noise, seed, stream, threshold,
    keep, origin, scene, warmth,
):  # fmt: skip
    height, width = frames.shape[1], frames.shape[2]
    sources = position.shape[0] * scene.spots.shape[1] * (2 if scene.ghost > 0.0 else 1)
    lights = (sources + 3) // 4 * 4
    columns = (width + 3) // 4 * 4
    gx = np.zeros(lights * columns * N, F32)
    gy = np.zeros(lights * height * N, F32)
    row = np.empty(columns * N, F32)
    dn = np.empty(columns * N, I32)
    response = np.ones(columns * N, F32)
    dark = np.zeros(columns * N, F32)
    offset = np.zeros(columns * N, F32)
    alike = scene.response.size == 1
    if alike:
        response[:] = scene.response[0, 0, 0]
        dark[:] = scene.dark[0, 0, 0]
        offset[:] = scene.offset[0, 0, 0]
    names = _names(mirrors, start, count)
    used = _scene_lights(
        gx, gy, lights, start, count, position, origin, height, width, camera, scene
    )
    background = spread(F32(camera.background_e))
    full = spread(F32(camera.full_well_e))
    s0 = spread(I64(0))
    sx = spread(I64(0))
    sy = spread(I64(0))
    for j in range(height):
        _lit(row, j, gx, gy, lights, used, background)
        if not alike:
            _pixels(response, scene.response, scene, origin, j, start, count)
            _pixels(dark, scene.dark, scene, origin, j, start, count)
            _pixels(offset, scene.offset, scene, origin, j, start, count)
        for i in range(0, columns * N, N):
            store(row, i, load(row, i) * load(response, i) + load(dark, i) * F32(warmth))
        _scattered(row, j, names, count, frame, camera, noise, seed, stream)
        for i in range(0, columns * N, N):
            store(row, i, lesser(load(row, i), full) + load(offset, i))
        total, weighted = _read_out(row, width, np.inf, camera, threshold)
        if keep:
            _kept(frames, row, dn, j, start, count, np.inf, camera)
        s0 = s0 + total
        sx = sx + weighted
        sy = sy + total * I64(j)
    _summed(sums, start, count, s0, sx, sy)


@kernel
def expose_scene(  # type: ignore[no-untyped-def]
    frames, sums, position, mirrors, frame, camera, noise, seed, stream, threshold, keep,
    origin, scene, warmth,
):  # fmt: skip
    """Make frames of windows that see more than their own spot, on pixels that differ.

    As `expose`; `position` (S, 2, M) is in sensor pixels, and `frames` (K, H, W) start at
    `origin` (K, 2) of the sensor.
    """
    n_windows = frames.shape[0]
    for block in prange((n_windows + N - 1) // N):
        start = block * N
        _expose_scene_block(
            start, min(N, n_windows - start), frames, sums, position, mirrors, frame, camera, noise,
            seed, stream, threshold, keep, origin, scene, warmth,
        )  # fmt: skip


@serial_kernel
def spot_paths(  # type: ignore[no-untyped-def]
    position, history, shift, at_ticks, delay_ticks, scale, origin
):
    """Fill `position` (S, 2, M) with the spots' places in their windows over the exposure. [px]"""
    last = history.shape[0] - 1
    for m in range(history.shape[2]):
        for s in range(at_ticks.size):
            at = min(at_ticks[s] + delay_ticks[m], float(last))
            n = min(int(at), last - 1)
            part = at - n
            for a in range(2):
                before = history[n, a, m] + shift[n, a]
                after = history[n + 1, a, m] + shift[n + 1, a]
                seen = (1.0 - part) * before + part * after
                position[s, a, m] = scale * seen - origin[m, a]


@serial_kernel
def centres(  # type: ignore[no-untyped-def]
    spot, flux, status, sums, height, width, min_flux, edge
):
    """Turn sums into readings, with the verdict of `sim.estimators.reading.judged`."""
    for m in range(sums.shape[0]):
        total = float(sums[m, 0])
        flux[m] = total
        x = sums[m, 1] / total if total > 0.0 else np.nan
        y = sums[m, 2] / total if total > 0.0 else np.nan
        near = x < edge or x > width - 1 - edge or y < edge or y > height - 1 - edge
        dim = total < min_flux or total <= 0.0
        status[m] = DIM if dim else EDGE if near else OK
        spot[m, 0] = np.nan if near or dim else x
        spot[m, 1] = np.nan if near or dim else y


@inlined
def _marked(first, last, value, limit, at):  # type: ignore[no-untyped-def]
    """First and last tick at which something was above its limit."""
    now = spread(at)
    begun = where_above(first, spread(I64(0)), first, now)
    return where_above(value, limit, begun, first), where_above(value, limit, now, last)


@njit
def _observe_block(  # type: ignore[no-untyped-def]
    start, count, first_tick, history, aim, tolerance_rad, interval,
    error, mean, square, peak, first_out, last_out,
):  # fmt: skip
    n_ticks = history.shape[0] - 1
    limit = spread(tolerance_rad * tolerance_rad)
    aim_x = load_some(aim, (0, start), count)
    aim_y = load_some(aim, (1, start), count)
    spare = np.empty(6 * N)
    marks = np.empty(2 * N, I64)
    n = 0
    while n < n_ticks and (first_tick + n) // interval < square.shape[0]:
        row = (first_tick + n) // interval
        end = min(n_ticks, (row + 1) * interval - first_tick)
        ex = spread(0.0)
        ey = spread(0.0)
        sum_x = spread(0.0)
        sum_y = spread(0.0)
        sum_2 = spread(0.0)
        top = spread(0.0)
        first = spread(I64(0))
        last = spread(I64(0))
        at = I64((first_tick + n) % interval)
        while n < end:
            ex = load_some(history, (n + 1, 0, start), count) - aim_x
            ey = load_some(history, (n + 1, 1, start), count) - aim_y
            radial = ex * ex + ey * ey
            sum_x = sum_x + ex
            sum_y = sum_y + ey
            sum_2 = sum_2 + radial
            top = greater(radial, top)
            at += I64(1)
            first, last = _marked(first, last, radial, limit, at)
            n += 1
        store(spare, 0, ex)
        store(spare, N, ey)
        store(spare, 2 * N, sum_x)
        store(spare, 3 * N, sum_y)
        store(spare, 4 * N, sum_2)
        store(spare, 5 * N, sqrt(top))
        store(marks, 0, first)
        store(marks, N, last)
        for i in range(count):
            m = start + i
            mean[row, m, 0] += F32(spare[2 * N + i] / interval)
            mean[row, m, 1] += F32(spare[3 * N + i] / interval)
            square[row, m] += F32(spare[4 * N + i] / interval)
            peak[row, m] = max(peak[row, m], F32(spare[5 * N + i]))
            if first_out[row, m] == 0:
                first_out[row, m] = marks[i]
            if marks[N + i] > 0:
                last_out[row, m] = marks[N + i]
            if first_tick + end == (row + 1) * interval:
                error[row, m, 0] = F32(spare[i])
                error[row, m, 1] = F32(spare[N + i])


@kernel
def observe_mirrors(  # type: ignore[no-untyped-def]
    first_tick, history, aim, tolerance_rad, interval,
    error, mean, square, peak, first_out, last_out,
):  # fmt: skip
    """Add one frame's ticks of error to the traces of mirrors."""
    n_mirrors = aim.shape[1]
    for block in prange((n_mirrors + N - 1) // N):
        start = block * N
        _observe_block(
            start, min(N, n_mirrors - start), first_tick, history, aim, tolerance_rad, interval,
            error, mean, square, peak, first_out, last_out,
        )  # fmt: skip


@njit
def _connections(start, count, aim, pairs, form):  # type: ignore[no-untyped-def]
    """Aims (4 rows) of a block's connections, then ten coefficients of each symmetric form.

    The coefficients are (i, i), and twice (i, j) for j above i.
    """
    w = np.zeros(14 * N)
    for k in range(count):
        for side in range(2):
            for a in range(2):
                w[(2 * side + a) * N + k] = aim[a, pairs[start + k, side]]
        at = 4 * N + k
        for i in range(4):
            w[at] = form[start + k, i, i]
            at += N
            for j in range(i + 1, 4):
                w[at] = form[start + k, i, j] + form[start + k, j, i]
                at += N
    return w


@inlined
def _excess(w, tilts):  # type: ignore[no-untyped-def]
    """Loss of a block's connections at tilts (4 rows). [dB]"""
    a = load(tilts, 0) - load(w, 0)
    b = load(tilts, N) - load(w, N)
    c = load(tilts, 2 * N) - load(w, 2 * N)
    d = load(tilts, 3 * N) - load(w, 3 * N)
    on_a = load(w, 4 * N) * a + load(w, 5 * N) * b + load(w, 6 * N) * c + load(w, 7 * N) * d
    on_b = load(w, 8 * N) * b + load(w, 9 * N) * c + load(w, 10 * N) * d
    on_c = load(w, 11 * N) * c + load(w, 12 * N) * d
    return on_a * a + on_b * b + on_c * c + load(w, 13 * N) * d * d


@njit
def _observe_connection_block(  # type: ignore[no-untyped-def]
    start, count, first_tick, history, aim, pairs, form, limit_db, interval,
    excess, mean, peak, first_out, last_out, ticks_out,
):  # fmt: skip
    n_ticks = history.shape[0] - 1
    limit = spread(limit_db)
    w = _connections(start, count, aim, pairs, form)
    tilts = np.zeros(4 * N)
    spare = np.empty(3 * N)
    marks = np.empty(3 * N, I64)
    n = 0
    while n < n_ticks and (first_tick + n) // interval < mean.shape[0]:
        row = (first_tick + n) // interval
        end = min(n_ticks, (row + 1) * interval - first_tick)
        loss = spread(0.0)
        total = spread(0.0)
        top = spread(0.0)
        first = spread(I64(0))
        last = spread(I64(0))
        out = spread(I64(0))
        at = I64((first_tick + n) % interval)
        while n < end:
            for i in range(count):
                a = pairs[start + i, 0]
                b = pairs[start + i, 1]
                tilts[i] = history[n + 1, 0, a]
                tilts[N + i] = history[n + 1, 1, a]
                tilts[2 * N + i] = history[n + 1, 0, b]
                tilts[3 * N + i] = history[n + 1, 1, b]
            loss = _excess(w, tilts)
            total = total + loss
            top = greater(loss, top)
            at += I64(1)
            first, last = _marked(first, last, loss, limit, at)
            out = where_above(loss, limit, out + I64(1), out)
            n += 1
        store(spare, 0, loss)
        store(spare, N, total)
        store(spare, 2 * N, top)
        store(marks, 0, first)
        store(marks, N, last)
        store(marks, 2 * N, out)
        for i in range(count):
            c = start + i
            mean[row, c] += F32(spare[N + i] / interval)
            peak[row, c] = max(peak[row, c], F32(spare[2 * N + i]))
            if first_out[row, c] == 0:
                first_out[row, c] = marks[i]
            if marks[N + i] > 0:
                last_out[row, c] = marks[N + i]
            ticks_out[row, c] += marks[2 * N + i]
            if first_tick + end == (row + 1) * interval:
                excess[row, c] = F32(spare[i])


@kernel
def observe_connections(  # type: ignore[no-untyped-def]
    first_tick, history, aim, pairs, form, limit_db, interval,
    excess, mean, peak, first_out, last_out, ticks_out,
):  # fmt: skip
    """Add one frame's ticks of excess loss to the traces of connections."""
    n_connections = pairs.shape[0]
    for block in prange((n_connections + N - 1) // N):
        start = block * N
        _observe_connection_block(
            start, min(N, n_connections - start), first_tick, history, aim, pairs, form, limit_db,
            interval, excess, mean, peak, first_out, last_out, ticks_out,
        )  # fmt: skip
