"""Control laws that are given in numbers, and notes of what they did."""

import numpy as np
from numba import njit

from sim.compiled import inlined
from sim.ports import SpotStatus

F32 = np.float32
OK = int(SpotStatus.OK)


@inlined
def _filtered(value, seen, memory, sections, axis):  # type: ignore[no-untyped-def]
    """Pass a number through filter sections in series; where not seen, the memory stays."""
    for n in range(sections.shape[0]):
        b0 = sections[n, axis, 0]
        b1 = sections[n, axis, 1]
        b2 = sections[n, axis, 2]
        a1 = sections[n, axis, 3]
        a2 = sections[n, axis, 4]
        result = b0 * value + memory[n, 0]
        if seen:
            memory[n, 0] = b1 * value - a1 * result + memory[n, 1]
            memory[n, 1] = b2 * value - a2 * result
        value = result
    return value


@njit
def control_block(start, count, spot, status, scale, path, p, law, memory):  # type: ignore[no-untyped-def]
    """Step the control law of a block; see `sim.ports.Law`."""
    for m in range(start, start + count):
        for a in range(2):
            tilt = (path.origin_px[p, a, m] + spot[m, a]) / scale
            error = path.reference_rad[p, m, a] - tilt
            seen = status[m] == OK and np.isfinite(error)
            value = _filtered(
                error if seen else 0.0, seen, memory.filters_rad[m, a], law.sections, a
            )
            lowest = path.lowest_rad[p, m, a]
            highest = path.highest_rad[p, m, a]
            before = memory.integral_rad[m, a]
            if law.holds_correction:
                wanted = before + (law.integral * value if seen else 0.0)
                granted = min(max(wanted, lowest), highest)
                memory.integral_rad[m, a] = granted
            else:
                after = before + law.integral * value
                wanted = law.proportional * value + after
                granted = wanted if seen else memory.correction_rad[m, a]
                granted = min(max(granted, lowest), highest)
                if seen:
                    presses = (wanted - granted) * (after - before) > 0.0
                    kept = before if presses else after
                    memory.integral_rad[m, a] = min(max(kept, lowest), highest)
            memory.correction_rad[m, a] = granted


@njit
def note_block(  # type: ignore[no-untyped-def]
    start, count, first_tick, n_ticks, interval, spot, status, scale, path, p, memory, traces
):
    """Note readings and corrections of one frame where a sampling interval ends in it."""
    first = first_tick // interval
    last = min((first_tick + n_ticks) // interval, traces.status.shape[0])
    for m in range(start, start + count):
        traces.lost_frames[m] += status[m] != OK
        traces.worst[m] = max(traces.worst[m], status[m])
        for row in range(first, last):
            traces.status[row, m] = traces.worst[m]
            for a in range(2):
                tilt = (path.origin_px[p, a, m] + spot[m, a]) / scale
                traces.measured_rad[row, m, a] = F32(tilt)
                traces.correction_rad[row, m, a] = F32(memory.correction_rad[m, a])
        if last > first:
            traces.worst[m] = 0
