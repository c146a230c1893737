"""Drive channels and mirrors, tick by tick."""

import math

import numpy as np
from numba import njit, prange

from sim.compiled import inlined, kernel
from sim.lanes import (
    N,
    any_above,
    copysign,
    fabs,
    float32_to_64,
    floor,
    greater,
    lesser,
    load,
    load_some,
    spread,
    sqrt,
    store,
    store_some,
    where_above,
)

I64 = np.int64
# Rows of a block's constants, each of two lanes: x, then y.
ROW = 2 * N
_STIFF, _KICK, _TRUE, _STEPS, _TRAVEL, _REST, _SLOPE = (ROW * i for i in range(7))
_BEFORE, _AFTER = ROW * 7, ROW * 8
_IMBALANCE = ROW * 9
_STEP = ROW * 12
_ROWS = 24


@njit
def constants(start, count, fleet, drive):  # type: ignore[no-untyped-def]
    """Collect what stays the same for a block while its propagators do."""
    w = np.zeros(_ROWS * ROW)
    one = spread(1.0)
    for a in range(2):
        at = a * N
        place = (a, start)
        stiffness = load_some(fleet.stiffness, place, count)
        store(w, _TRUE + at, one)
        store(w, _STEPS + at, one)
        store_some(w, _TRUE + at, count, load_some(fleet.true_gain, place, count))
        store_some(w, _STEPS + at, count, 1.0 / load_some(fleet.believed_gain, place, count))
        store(w, _STIFF + at, stiffness)
        store(w, _KICK + at, 0.5 * drive.step_s * fleet.cubic[a] * stiffness)
        store(w, _TRAVEL + at, spread(fleet.travel_rad[a]))
        for k in range(3):
            row = _IMBALANCE + k * ROW + at
            store(w, row, load_some(fleet.imbalance, (a, k, start), count))
        for k in range(12):
            row = _STEP + k * ROW + at
            store(w, row, load_some(fleet.step, (k, a, start), count))
    return w


@njit
def set_frame(w, start, count, before, after, rest_start, rest_end):  # type: ignore[no-untyped-def]
    """Add to a block's constants what stays the same for a frame."""
    for a in range(2):
        at = a * N
        place = (a, start)
        rest = load_some(rest_start, place, count)
        store(w, _REST + at, rest)
        store(w, _SLOPE + at, load_some(rest_end, place, count) - rest)
        store(w, _BEFORE + at, load_some(before, place, count))
        store(w, _AFTER + at, load_some(after, place, count))


@inlined
def _coded(asked, per_tilt, drive):  # type: ignore[no-untyped-def]
    """Voltage of the DAC code nearest to a wanted static tilt."""
    ratio = asked * per_tilt
    if drive.square:
        ratio = copysign(sqrt(fabs(ratio)), ratio)
    code = floor(ratio * (1.0 / drive.lsb_v) + 0.5)
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
def advance_block(  # type: ignore[no-untyped-def]
    start, count, w, tilt, rate, volt, stops, history, first, last, path, change,
    acceleration, gain_start, gain_end, noise, cross, drive,
):  # fmt: skip
    """See `advance`; one block of mirrors, `w` from `constants` and `set_frame`."""
    n_ticks = path.shape[0]
    sub = drive.substeps
    lagged = 1.0 - drive.decay
    slew_v = spread(drive.slew_v)
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
    ux = ax + ay * cross[0]
    uy = ay + ax * cross[1]
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
            next_ux = ax + ay * cross[0]
            next_uy = ay + ax * cross[1]
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
        count = min(N, n_mirrors - start)
        w = constants(start, count, fleet, drive)
        set_frame(w, start, count, before, after, rest_start, rest_end)
        advance_block(
            start, count, w, tilt, rate, volt, stops, history, first, last, path, change,
            acceleration, gain_start, gain_end, noise, fleet.cross, drive,
        )  # fmt: skip
