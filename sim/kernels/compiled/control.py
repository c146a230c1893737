"""Control laws that are given in numbers, and notes of what they did."""

import numpy as np
from numba import njit

from sim.kernels.compilation import inlined
from sim.kernels.compiled.pairs import store_pairs
from sim.kernels.vectors import (
    fabs,
    float64_to_32,
    load_some,
    maximum,
    minimum,
    store_some,
    where_above,
)
from sim.ports import SpotStatus

OK = int(SpotStatus.OK)
INFINITE = np.inf


@inlined
def _filtered(value, size, start, count, memory, sections, axis):  # type: ignore[no-untyped-def]
    """Pass numbers through filter sections in series; where not seen, the memory stays."""
    for n in range(sections.shape[0]):
        first = load_some(memory, (n, 0, axis, start), count)
        second = load_some(memory, (n, 1, axis, start), count)
        result = value * sections[n, axis, 0] + first
        next_first = value * sections[n, axis, 1] - result * sections[n, axis, 3] + second
        next_second = value * sections[n, axis, 2] - result * sections[n, axis, 4]
        first = where_above(INFINITE, size, next_first, first)
        second = where_above(INFINITE, size, next_second, second)
        store_some(memory, (n, 0, axis, start), count, first)
        store_some(memory, (n, 1, axis, start), count, second)
        value = result
    return value


@njit
def control_block(start, count, tilt, spot, scale, path, p, law, memory):  # type: ignore[no-untyped-def]
    """Step the control law of a block; see `sim.ports.Law`.

    The measured tilt is kept. A mirror is seen if it has a number.
    """
    for a in range(2):
        at = (p, a, start)
        place = (a, start)
        measured = (load_some(path.origin_px, at, count) + load_some(spot, place, count)) / scale
        store_some(tilt, place, count, measured)
        error = load_some(path.reference_rad, at, count) - measured
        size = fabs(error)
        value = _filtered(
            where_above(INFINITE, size, error, 0.0), size, start, count, memory.filters_rad,
            law.sections, a,
        )  # fmt: skip
        lowest = load_some(path.lowest_rad, at, count)
        highest = load_some(path.highest_rad, at, count)
        before = load_some(memory.integral_rad, place, count)
        if law.holds_correction:
            step = where_above(INFINITE, size, value * law.integral, 0.0)
            granted = minimum(maximum(before + step, lowest), highest)
            store_some(memory.integral_rad, place, count, granted)
        else:
            after = before + value * law.integral
            wanted = value * law.proportional + after
            held = load_some(memory.correction_rad, place, count)
            granted = where_above(INFINITE, size, wanted, held)
            granted = minimum(maximum(granted, lowest), highest)
            presses = (wanted - granted) * (after - before)
            kept = minimum(maximum(where_above(presses, 0.0, before, after), lowest), highest)
            kept = where_above(INFINITE, size, kept, before)
            store_some(memory.integral_rad, place, count, kept)
        store_some(memory.correction_rad, place, count, granted)


@njit
def note_block(  # type: ignore[no-untyped-def]
    start, count, first_tick, n_ticks, tilt, status, memory, traces
):
    """Note readings and corrections of one frame where a sampling interval ends in it."""
    interval = traces.interval
    first = first_tick // interval
    last = min((first_tick + n_ticks) // interval, traces.status.shape[0])
    for m in range(start, start + count):
        traces.lost_frames[m] += status[m] != OK
        traces.worst[m] = max(traces.worst[m], status[m])
    for row in range(first, last):
        for m in range(start, start + count):
            traces.status[row, m] = traces.worst[m]
        store_pairs(
            traces.measured_rad, row, start, count,
            float64_to_32(load_some(tilt, (0, start), count)),
            float64_to_32(load_some(tilt, (1, start), count)),
        )  # fmt: skip
        store_pairs(
            traces.correction_rad, row, start, count,
            float64_to_32(load_some(memory.correction_rad, (0, start), count)),
            float64_to_32(load_some(memory.correction_rad, (1, start), count)),
        )  # fmt: skip
    if last > first:
        traces.worst[start : start + count] = 0
