"""Errors of mirrors and losses of connections, taken up at every tick."""

import numpy as np
from numba import njit, prange

from sim.compiled import inlined, kernel
from sim.lanes import (
    N,
    greater,
    load,
    load_some,
    spread,
    sqrt,
    store,
    where_above,
)

I64 = np.int64
F32 = np.float32


@inlined
def _marked(first, last, value, limit, at):  # type: ignore[no-untyped-def]
    """First and last tick at which something was above its limit."""
    now = spread(at)
    begun = where_above(first, spread(I64(0)), first, now)
    return where_above(value, limit, begun, first), where_above(value, limit, now, last)


@njit
def observe_block(  # type: ignore[no-untyped-def]
    start, count, first_tick, history, aim, tolerance_rad, interval,
    error, mean, square, peak, first_out, last_out,
):  # fmt: skip
    """See `observe_mirrors`; one block of mirrors."""
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
        observe_block(
            start, min(N, n_mirrors - start), first_tick, history, aim, tolerance_rad, interval,
            error, mean, square, peak, first_out, last_out,
        )  # fmt: skip


@njit
def connections(start, count, aim, pairs, form):  # type: ignore[no-untyped-def]
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
def observe_connection_block(  # type: ignore[no-untyped-def]
    start, count, w, first_tick, history, pairs, limit_db, interval,
    excess, mean, peak, first_out, last_out, ticks_out,
):  # fmt: skip
    """See `observe_connections`; one block of them, `w` from `connections`."""
    n_ticks = history.shape[0] - 1
    limit = spread(limit_db)
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
        count = min(N, n_connections - start)
        w = connections(start, count, aim, pairs, form)
        observe_connection_block(
            start, count, w, first_tick, history, pairs, limit_db, interval,
            excess, mean, peak, first_out, last_out, ticks_out,
        )  # fmt: skip
