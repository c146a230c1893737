"""Drive channels and mirrors, tick by tick."""

import math

import numpy as np

from sim.kernels.compilation import inlined, kernel, step
from sim.kernels.vectors import (
    N,
    any_above,
    copysign,
    fabs,
    float32_to_64,
    floor,
    fma,
    load_8,
    load_some_8,
    maximum,
    minimum,
    spread_8,
    sqrt,
    store,
    store_some,
    where_above,
)

I64 = np.int64
E = 8
"""Mirrors that are moved at a time: their state and what drives them fill the registers."""
# Rows of their constants, each of two lanes: x, then y.
ROW = 2 * E
_KICK, _TRUE, _STEPS, _TRAVEL, _STIFF, _REST, _SLOPE = (ROW * i for i in range(7))
_BEFORE, _AFTER = ROW * 7, ROW * 8
_IMBALANCE = ROW * 9
_STEP = ROW * 12
_ROWS = 24


@step
def _fixed(w, start, count, fleet, drive):  # type: ignore[no-untyped-def]
    """See `constants`; eight mirrors."""
    one = spread_8(1.0)
    for a in range(2):
        at = a * E
        place = (a, start)
        stiffness = load_some_8(fleet.stiffness, place, count)
        store(w, _TRUE + at, one)
        store(w, _STEPS + at, one)
        store_some(w, _TRUE + at, count, load_some_8(fleet.true_gain, place, count))
        store_some(w, _STEPS + at, count, 1.0 / load_some_8(fleet.believed_gain, place, count))
        store(w, _STIFF + at, stiffness)
        store(w, _KICK + at, -0.5 * drive.step_s * fleet.cubic[a] * stiffness)
        store(w, _TRAVEL + at, spread_8(fleet.travel_rad[a]))
        for k in range(3):
            row = _IMBALANCE + k * ROW + at
            store(w, row, load_some_8(fleet.imbalance, (a, k, start), count))
        for k in range(12):
            row = _STEP + k * ROW + at
            store(w, row, load_some_8(fleet.step, (k, a, start), count))


@step
def constants(start, count, fleet, drive):  # type: ignore[no-untyped-def]
    """Collect what stays the same for a block while its propagators do."""
    w = np.zeros((N // E, _ROWS * ROW))
    for k in range(0, count, E):
        _fixed(w[k // E], start + k, min(E, count - k), fleet, drive)
    return w


@step
def _frame_fixed(w, start, count, asked, forcing):  # type: ignore[no-untyped-def]
    """See `set_frame`; eight mirrors."""
    for a in range(2):
        at = a * E
        place = (a, start)
        stiffness = load_8(w, _STIFF + at)
        rest = load_some_8(forcing.rest_start_rad, place, count)
        store(w, _REST + at, stiffness * rest)
        later = load_some_8(forcing.rest_end_rad, place, count)
        store(w, _SLOPE + at, stiffness * (later - rest))
        store(w, _BEFORE + at, load_some_8(asked.before_rad, place, count))
        store(w, _AFTER + at, load_some_8(asked.after_rad, place, count))


@step
def set_frame(w, start, count, asked, forcing):  # type: ignore[no-untyped-def]
    """Add to a block's constants what stays the same for a frame."""
    for k in range(0, count, E):
        _frame_fixed(w[k // E], start + k, min(E, count - k), asked, forcing)


@inlined
def _coded(asked, per_tilt, drive):  # type: ignore[no-untyped-def]
    """Voltage of the DAC code nearest to a wanted static tilt."""
    ratio = asked * per_tilt
    if drive.square:
        ratio = copysign(sqrt(fabs(ratio)), ratio)
    code = floor(ratio * (1.0 / drive.lsb_v) + 0.5)
    return drive.lsb_v * minimum(maximum(code, spread_8(-drive.codes)), spread_8(drive.codes - 1.0))


@inlined
def _force(w, axis, at, x, y, z):  # type: ignore[no-untyped-def]
    """Angular acceleration from shaking (x, y, z) and from wandering rest, at a part of a frame."""
    row = _IMBALANCE + axis
    force = fma(load_8(w, _SLOPE + axis), at, load_8(w, _REST + axis))
    force = fma(load_8(w, row), x, force)
    force = fma(load_8(w, row + ROW), y, force)
    return fma(load_8(w, row + 2 * ROW), z, force)


@inlined
def _asked(volt, gain, change, square):  # type: ignore[no-untyped-def]
    """Static tilt that a voltage asks for; `square` is one or zero."""
    return gain * volt * fma(fabs(volt), square, 1.0 - square) * change


@inlined
def _moved(w, row, t, r, u0, u1, f0, f1):  # type: ignore[no-untyped-def]
    """One row of the propagator: the next tilt, or the next rate."""
    moved = load_8(w, row + 4 * ROW) * f0
    moved = fma(load_8(w, row + 5 * ROW), f1, moved)
    moved = fma(load_8(w, row + 2 * ROW), u0, moved)
    moved = fma(load_8(w, row + 3 * ROW), u1, moved)
    moved = fma(load_8(w, row), t, moved)
    return fma(load_8(w, row + ROW), r, moved)


@inlined
def _halted(t, r, limit):  # type: ignore[no-untyped-def]
    """Tilt kept within its stops, and the rate against a stop gone."""
    zero = spread_8(0.0)
    inward = where_above(r * t, zero, zero, r)
    return minimum(maximum(t, zero - limit), limit), where_above(fabs(t), limit, inward, r)


@step
def _slewed(volt, wanted, drive):  # type: ignore[no-untyped-def]
    """Amplifier outputs one step later where the slew limit is met, one by one."""
    spare = np.empty(2 * E)
    store(spare, 0, volt)
    store(spare, E, wanted)
    for i in range(E):
        gap = spare[E + i] - spare[i]
        ramp_s = max(abs(gap) - drive.slew_v, 0.0) * drive.lag_s / drive.slew_v
        if ramp_s >= drive.step_s:
            spare[i] += math.copysign(drive.slew_v * drive.step_s / drive.lag_s, gap)
        else:
            left = drive.slew_v * math.exp(-(drive.step_s - ramp_s) / drive.lag_s)
            spare[i] = spare[E + i] - math.copysign(left, gap)
    return load_8(spare, 0)


@step
def _advance_eight(  # type: ignore[no-untyped-def]
    start, count, w, moving, history, first, last, asked, forcing, cross, drive
):
    """See `advance`; eight mirrors."""
    tilt, rate, volt, stops = moving
    path = asked.path_rad
    change = asked.change_tick
    acceleration = forcing.acceleration_m_s2
    gain_start = forcing.gain_start
    noise = forcing.noise
    part = 1.0 / (history.shape[0] - 1)
    sub = drive.substeps
    step_part = 1.0 / sub
    square = 1.0 if drive.square else 0.0
    lagged = 1.0 - drive.decay
    slew_v = spread_8(drive.slew_v)
    gain_rise = forcing.gain_end - gain_start
    still = path.shape[0] == 1
    one = spread_8(I64(1))
    none = spread_8(I64(0))
    hit = none
    struck = none
    tx = load_some_8(tilt, (0, start), count)
    ty = load_some_8(tilt, (1, start), count)
    cross_x = load_some_8(cross, (0, start), count)
    cross_y = load_some_8(cross, (1, start), count)
    rx = load_some_8(rate, (0, start), count)
    ry = load_some_8(rate, (1, start), count)
    vx = load_some_8(volt, (0, start), count)
    vy = load_some_8(volt, (1, start), count)
    x, y, z = acceleration[first]
    fx = _force(w, 0, first * part, x, y, z)
    fy = _force(w, E, first * part, x, y, z)
    now = 1.0 + gain_start + gain_rise * (first * part)
    ax = _asked(vx, load_8(w, _TRUE), now, square)
    ay = _asked(vy, load_8(w, _TRUE + E), now, square)
    ux = fma(ay, cross_x, ax)
    uy = fma(ax, cross_y, ay)
    wanted_x = vx
    wanted_y = vy
    n = first
    i = 0
    while n < last:
        if i == 0 and (n == first or n == change or not still):
            at = 0 if still else n
            held = _BEFORE if n < change else _AFTER
            wanted_x = load_some_8(path, (at, 0, start), count) + load_8(w, held)
            wanted_y = load_some_8(path, (at, 1, start), count) + load_8(w, held + E)
            wanted_x = _coded(wanted_x, load_8(w, _STEPS), drive)
            wanted_y = _coded(wanted_y, load_8(w, _STEPS + E), drive)
        i += 1
        share = i * step_part
        gap_x = wanted_x - vx
        gap_y = wanted_y - vy
        lagged_x = fma(gap_x, lagged, vx)
        lagged_y = fma(gap_y, lagged, vy)
        if any_above(maximum(fabs(gap_x), fabs(gap_y)), slew_v):
            slewed_x = _slewed(vx, wanted_x, drive)
            slewed_y = _slewed(vy, wanted_y, drive)
            lagged_x = where_above(fabs(gap_x), slew_v, slewed_x, lagged_x)
            lagged_y = where_above(fabs(gap_y), slew_v, slewed_y, lagged_y)
        vx = lagged_x
        vy = lagged_y
        if i == sub and noise.shape[0] > 0:
            noise_x = float32_to_64(load_some_8(noise, (n, 0, start), count))
            noise_y = float32_to_64(load_some_8(noise, (n, 1, start), count))
            vx = fma(noise_x, drive.noise_v, vx)
            vy = fma(noise_y, drive.noise_v, vy)
        when = (n + share) * part
        now = 1.0 + gain_start + gain_rise * when
        ax = _asked(vx, load_8(w, _TRUE), now, square)
        ay = _asked(vy, load_8(w, _TRUE + E), now, square)
        next_ux = fma(ay, cross_x, ax)
        next_uy = fma(ax, cross_y, ay)
        x = acceleration[n, 0] + share * (acceleration[n + 1, 0] - acceleration[n, 0])
        y = acceleration[n, 1] + share * (acceleration[n + 1, 1] - acceleration[n, 1])
        z = acceleration[n, 2] + share * (acceleration[n + 1, 2] - acceleration[n, 2])
        next_fx = _force(w, 0, when, x, y, z)
        next_fy = _force(w, E, when, x, y, z)
        rx = fma(load_8(w, _KICK) * tx, tx * tx, rx)
        ry = fma(load_8(w, _KICK + E) * ty, ty * ty, ry)
        next_tx = _moved(w, _STEP, tx, rx, ux, next_ux, fx, next_fx)
        next_ty = _moved(w, _STEP + E, ty, ry, uy, next_uy, fy, next_fy)
        rx = _moved(w, _STEP + 6 * ROW, tx, rx, ux, next_ux, fx, next_fx)
        ry = _moved(w, _STEP + 6 * ROW + E, ty, ry, uy, next_uy, fy, next_fy)
        tx = next_tx
        ty = next_ty
        limit_x = load_8(w, _TRAVEL)
        limit_y = load_8(w, _TRAVEL + E)
        if any_above(fabs(tx), limit_x) or any_above(fabs(ty), limit_y):
            hit = where_above(fabs(tx), limit_x, one, hit)
            hit = where_above(fabs(ty), limit_y, one, hit)
            tx, rx = _halted(tx, rx, limit_x)
            ty, ry = _halted(ty, ry, limit_y)
        rx = fma(load_8(w, _KICK) * tx, tx * tx, rx)
        ry = fma(load_8(w, _KICK + E) * ty, ty * ty, ry)
        ux = next_ux
        uy = next_uy
        fx = next_fx
        fy = next_fy
        if i == sub:
            n += 1
            i = 0
            struck = struck + hit
            hit = none
            store_some(history, (n, 0, start), count, tx)
            store_some(history, (n, 1, start), count, ty)
    store_some(stops, start, count, load_some_8(stops, start, count) + struck)
    store_some(tilt, (0, start), count, tx)
    store_some(tilt, (1, start), count, ty)
    store_some(rate, (0, start), count, rx)
    store_some(rate, (1, start), count, ry)
    store_some(volt, (0, start), count, vx)
    store_some(volt, (1, start), count, vy)


@step
def advance_block(  # type: ignore[no-untyped-def]
    start, count, w, moving, history, first, last, asked, forcing, cross, drive
):
    """See `advance`; one block of mirrors, `w` from `constants` and `set_frame`."""
    for k in range(0, count, E):
        _advance_eight(
            start + k, min(E, count - k), w[k // E], moving, history, first, last, asked, forcing,
            cross, drive,
        )  # fmt: skip


@kernel
def advance(moving, history, first, last, asked, forcing, fleet, drive):  # type: ignore[no-untyped-def]
    """Move the fleet through ticks `first` to `last` of one frame; see the plain form."""
    n_mirrors = history.shape[2]
    for start in range(0, n_mirrors, N):
        count = min(N, n_mirrors - start)
        w = constants(start, count, fleet, drive)
        set_frame(w, start, count, asked, forcing)
        advance_block(
            start, count, w, moving, history, first, last, asked, forcing, fleet.cross, drive
        )
