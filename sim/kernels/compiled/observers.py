"""Errors of mirrors, recorded at every tick."""

import numpy as np

from sim.kernels.compilation import inlined, kernel, step
from sim.kernels.compiled.pairs import add_pairs, store_pairs
from sim.kernels.vectors import (
    N,
    float64_to_32,
    int64_to_32,
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
def marked(first, last, value, limit, at):  # type: ignore[no-untyped-def]
    """First and last tick at which something was above its limit."""
    now = spread(at)
    begun = where_above(first, spread(I64(0)), first, now)
    return where_above(value, limit, begun, first), where_above(value, limit, now, last)


@inlined
def added(array, place, count, value):  # type: ignore[no-untyped-def]
    """Add to what stands in an array."""
    store_some(array, place, count, load_some(array, place, count) + value)


@inlined
def raised(array, place, count, value):  # type: ignore[no-untyped-def]
    """Keep the larger of what stands in an array and a value."""
    store_some(array, place, count, maximum(value, load_some(array, place, count)))


@inlined
def noted(first_out, last_out, place, count, first, last):  # type: ignore[no-untyped-def]
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
            first, last = marked(first, last, radial, limit, at)
            n += 1
        place = (row, start)
        add_pairs(mean, row, start, count, float64_to_32(sum_x * part), float64_to_32(sum_y * part))
        added(square, place, count, float64_to_32(sum_2 * part))
        raised(peak, place, count, float64_to_32(sqrt(top)))
        noted(first_out, last_out, place, count, first, last)
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
