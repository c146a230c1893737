"""Control laws that are given in numbers, and notes of what they did."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.foundations.ports import Array, SpotStatus
from sim.kernels.compilation import inlined, step
from sim.kernels.compiled.pairs import store_pairs
from sim.kernels.vectors import (
    N,
    any_above,
    fabs,
    float64_to_32,
    load,
    load_some,
    maximum,
    minimum,
    spread,
    store,
    store_some,
    where_above,
)

OK = int(SpotStatus.OK)
LAST_STATUS = int(max(SpotStatus))
INFINITE = np.inf


class BlockLaw(NamedTuple):
    """The law of a block of mirrors, one to each lane, and scratch for its states."""

    sections: Array
    """(s, 5, 2, N)"""
    matrix: Array
    """(2, n + 1, n + 2, 2, N), see `sim.kernels.law.KernelLaw`."""
    conditional: NDArray[np.bool_]
    previous: NDArray[np.bool_]
    after: Array
    """(2, n, N) states after a frame: after a reading, after none."""


@step
def _of_mirrors(start, count, numbers):  # type: ignore[no-untyped-def]
    """Return (R, 1 or M) numbers as (R, N) of a block: its mirrors' own, or what all share."""
    block = np.zeros((numbers.shape[0], N))
    for row in range(numbers.shape[0]):
        for lane in range(count):
            block[row, lane] = numbers[row, min(start + lane, numbers.shape[1] - 1)]
    return block


@step
def law_of_block(start, count, law):  # type: ignore[no-untyped-def]
    """Return the law as a block of mirrors takes it."""
    s, n, m = law.sections.shape[0], law.conditional.shape[0], law.sections.shape[-1]
    sections = _of_mirrors(start, count, law.sections.reshape(s * 10, m))
    rows, m = 4 * (n + 1) * (n + 2), law.matrix.shape[-1]
    matrix = _of_mirrors(start, count, law.matrix.reshape(rows, m))
    return BlockLaw(
        sections.reshape(s, 5, 2, N),
        matrix.reshape(2, n + 1, n + 2, 2, N),
        law.conditional,
        law.previous,
        np.empty((2, n, N)),
    )


@inlined
def _filtered(value, size, start, count, memory, sections, a):  # type: ignore[no-untyped-def]
    """Pass numbers through filter sections in series; where not seen, the memory stays."""
    for n in range(sections.shape[0]):
        first = load_some(memory, (n, 0, a, start), count)
        second = load_some(memory, (n, 1, a, start), count)
        result = value * load(sections, (n, 0, a, 0)) + first
        next_first = (
            value * load(sections, (n, 1, a, 0)) - result * load(sections, (n, 3, a, 0)) + second
        )
        next_second = value * load(sections, (n, 2, a, 0)) - result * load(sections, (n, 4, a, 0))
        first = where_above(INFINITE, size, next_first, first)
        second = where_above(INFINITE, size, next_second, second)
        store_some(memory, (n, 0, a, start), count, first)
        store_some(memory, (n, 1, a, start), count, second)
        value = result
    return value


@inlined
def _state(memory, previous, j, value, a, start, count):  # type: ignore[no-untyped-def]
    """Return a state before the frame; an unknown mismatch is taken as the present one."""
    x = load_some(memory.states, (j, a, start), count)
    if previous[j]:
        x = where_above(INFINITE, fabs(x), x, value)
    return x


@inlined
def _stepped(law, way, memory, value, last, a, start, count):  # type: ignore[no-untyped-def]
    """Write the states after a frame, and return the correction that is wanted.

    The way is 0 for mirrors that are seen, 1 for lost ones. Sums are taken in the order of
    `sim.foundations.ports.linear_law.law_step`.
    """
    n = law.after.shape[1]
    for i in range(n):
        total = value * load(law.matrix, (way, i, 0, a, 0))
        for j in range(n):
            x = _state(memory, law.previous, j, value, a, start, count)
            total = total + x * load(law.matrix, (way, i, j + 1, a, 0))
        total = total + last * load(law.matrix, (way, i, n + 1, a, 0))
        store(law.after, (way, i, 0), total)
    wanted = value * load(law.matrix, (way, n, 0, a, 0))
    for i in range(n):
        x = load(law.after, (way, i, 0))
        wanted = wanted + x * load(law.matrix, (way, n, i + 1, a, 0))
    return wanted + last * load(law.matrix, (way, n, n + 1, a, 0))


@inlined
def _kept(before, after, pushed, lowest, highest):  # type: ignore[no-untyped-def]
    """Return a state that stands still while its change would press against a limit."""
    presses = pushed * (after - before)
    return minimum(maximum(where_above(presses, 0.0, before, after), lowest), highest)


@step
def control_block(start, count, tilt, spot, scale, path, p, law, memory):  # type: ignore[no-untyped-def]
    """Step the control law of a block, as `law_of_block` makes it.

    The measured tilt is kept. A mirror is seen if it has a number.
    """
    zero = spread(0.0)
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
        last = load_some(memory.correction_rad, place, count)
        wanted = _stepped(law, 0, memory, value, last, a, start, count)
        some_lost = any_above(where_above(INFINITE, size, zero, 1.0), zero)
        if some_lost:
            held = _stepped(law, 1, memory, zero, last, a, start, count)
            wanted = where_above(INFINITE, size, wanted, held)
        granted = minimum(maximum(wanted, lowest), highest)
        store_some(memory.correction_rad, place, count, granted)
        for i in range(law.after.shape[1]):
            x = load(law.after, (0, i, 0))
            if law.conditional[i]:
                before = load_some(memory.states, (i, a, start), count)
                x = _kept(before, x, wanted - granted, lowest, highest)
            if some_lost:
                stays = load(law.after, (1, i, 0))
                if law.previous[i]:
                    stays = spread(np.nan)
                x = where_above(INFINITE, size, x, stays)
            store_some(memory.states, (i, a, start), count, x)


@step
def note_block(  # type: ignore[no-untyped-def]
    start, count, first_tick, n_ticks, tilt, status, memory, traces
):
    """Note readings and corrections of one frame where a sampling interval ends in it."""
    interval = traces.interval
    first = first_tick // interval
    last = min((first_tick + n_ticks) // interval, traces.status.shape[0])
    for m in range(start, start + count):
        traces.status_frames[min(int(status[m]), LAST_STATUS), m] += 1
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
