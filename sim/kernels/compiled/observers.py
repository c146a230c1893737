"""Errors of mirrors and losses of connections, taken up at every tick."""

import numpy as np

from sim.kernels.compilation import inlined, kernel, step
from sim.kernels.compiled.pairs import add_pairs, store_pairs
from sim.kernels.vectors import (
    N,
    float64_to_32,
    int64_to_32,
    load,
    load_some,
    maximum,
    spread,
    sqrt,
    store_some,
    where_above,
)

I32 = np.int32
I64 = np.int64


@inlined
def _marked(first, last, value, limit, at):  # type: ignore[no-untyped-def]
    """First and last tick at which something was above its limit."""
    now = spread(at)
    begun = where_above(first, spread(I64(0)), first, now)
    return where_above(value, limit, begun, first), where_above(value, limit, now, last)


@inlined
def _added(array, place, count, value):  # type: ignore[no-untyped-def]
    store_some(array, place, count, load_some(array, place, count) + value)


@inlined
def _raised(array, place, count, value):  # type: ignore[no-untyped-def]
    store_some(array, place, count, maximum(value, load_some(array, place, count)))


@inlined
def _noted(first_out, last_out, place, count, first, last):  # type: ignore[no-untyped-def]
    """Write marks that are not zero; the first ones where there are none yet."""
    began = load_some(first_out, place, count)
    ended = load_some(last_out, place, count)
    now = int64_to_32(last)
    store_some(first_out, place, count, where_above(began, I32(0), began, int64_to_32(first)))
    store_some(last_out, place, count, where_above(now, I32(0), now, ended))


@step
def observe_block(start, count, first_tick, history, aim, tolerance_rad, traces):  # type: ignore[no-untyped-def]
    """See `observe_mirrors`; one block of mirrors."""
    interval, error, mean, square, peak, first_out, last_out = traces
    n_ticks = history.shape[0] - 1
    limit = spread(tolerance_rad * tolerance_rad)
    aim_x = load_some(aim, (0, start), count)
    aim_y = load_some(aim, (1, start), count)
    part = 1.0 / interval
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
            top = maximum(radial, top)
            at += I64(1)
            first, last = _marked(first, last, radial, limit, at)
            n += 1
        place = (row, start)
        add_pairs(mean, row, start, count, float64_to_32(sum_x * part), float64_to_32(sum_y * part))
        _added(square, place, count, float64_to_32(sum_2 * part))
        _raised(peak, place, count, float64_to_32(sqrt(top)))
        _noted(first_out, last_out, place, count, first, last)
        if first_tick + end == (row + 1) * interval:
            store_pairs(error, row, start, count, float64_to_32(ex), float64_to_32(ey))


@kernel
def observe_mirrors(first_tick, history, aim, tolerance_rad, traces):  # type: ignore[no-untyped-def]
    """Add one frame's ticks of error to the traces of mirrors."""
    n_mirrors = aim.shape[1]
    for start in range(0, n_mirrors, N):
        observe_block(
            start, min(N, n_mirrors - start), first_tick, history, aim, tolerance_rad, traces
        )


@step
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
def _excess(w, tilts, n):  # type: ignore[no-untyped-def]
    """Loss of a block's connections at the n-th of their tilts (4 rows each). [dB]"""
    at = 4 * N * n
    a = load(tilts, at) - load(w, 0)
    b = load(tilts, at + N) - load(w, N)
    c = load(tilts, at + 2 * N) - load(w, 2 * N)
    d = load(tilts, at + 3 * N) - load(w, 3 * N)
    on_a = load(w, 4 * N) * a + load(w, 5 * N) * b + load(w, 6 * N) * c + load(w, 7 * N) * d
    on_b = load(w, 8 * N) * b + load(w, 9 * N) * c + load(w, 10 * N) * d
    on_c = load(w, 11 * N) * c + load(w, 12 * N) * d
    return on_a * a + on_b * b + on_c * c + load(w, 13 * N) * d * d


@inlined
def _gathered(tilts, start, count, history, pairs):  # type: ignore[no-untyped-def]
    """Put the tilts of both mirrors of each connection side by side, tick by tick."""
    for n in range(history.shape[0] - 1):
        at = 4 * N * n
        for i in range(count):
            a = pairs[start + i, 0]
            b = pairs[start + i, 1]
            tilts[at + i] = history[n + 1, 0, a]
            tilts[at + N + i] = history[n + 1, 1, a]
            tilts[at + 2 * N + i] = history[n + 1, 0, b]
            tilts[at + 3 * N + i] = history[n + 1, 1, b]


@step
def observe_connection_block(  # type: ignore[no-untyped-def]
    start, count, w, tilts, first_tick, history, pairs, limit_db, traces
):
    """See `observe_connections`; one block, `w` from `connections`, `tilts` (4 N ticks) to fill."""
    interval, excess, mean, peak, first_out, last_out, ticks_out = traces
    n_ticks = history.shape[0] - 1
    limit = spread(limit_db)
    part = 1.0 / interval
    _gathered(tilts, start, count, history, pairs)
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
            loss = _excess(w, tilts, n)
            total = total + loss
            top = maximum(loss, top)
            at += I64(1)
            first, last = _marked(first, last, loss, limit, at)
            out = where_above(loss, limit, out + I64(1), out)
            n += 1
        place = (row, start)
        _added(mean, place, count, float64_to_32(total * part))
        _raised(peak, place, count, float64_to_32(top))
        _noted(first_out, last_out, place, count, first, last)
        _added(ticks_out, place, count, int64_to_32(out))
        if first_tick + end == (row + 1) * interval:
            store_some(excess, place, count, float64_to_32(loss))


@kernel
def observe_connections(  # type: ignore[no-untyped-def]
    first_tick, history, aim, pairs, form, limit_db, traces
):
    """Add one frame's ticks of excess loss to the traces of connections."""
    n_connections = pairs.shape[0]
    for start in range(0, n_connections, N):
        count = min(N, n_connections - start)
        w = connections(start, count, aim, pairs, form)
        tilts = np.zeros((history.shape[0] - 1) * 4 * N)
        observe_connection_block(
            start, count, w, tilts, first_tick, history, pairs, limit_db, traces
        )
