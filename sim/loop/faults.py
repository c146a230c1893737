"""What all events of a run do together in one frame."""

from functools import reduce
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.foundations.errors import PlugInError
from sim.foundations.kinds.outside import kind_of
from sim.foundations.ports import Faults, Lateness, WithSurroundings
from sim.loop.parts import Parts

BY_TICK = ("gain", "asked_rad", "pull_rad", "stuck")
BY_MIRROR = ("dropped", "late_frames", "late_ticks", "late_windows", "unnoticed")
FREE_OF_NAN = ("gain", "asked_rad", "rest_rad")


def faults_of(parts: Parts, frame: int) -> Faults:
    """Return what happens in a frame: factors multiply, tilts and delays add up.

    Where two events pull a drive, the later in the scenario does.

    Raises
    ------
    PlugInError
        If an event gives something of another shape, or makes things later than it says.
    """
    found = []
    for number, event in enumerate(parts.events):
        if isinstance(event, WithSurroundings):
            continue
        faults = event.faults(frame)
        check_faults(faults, event, number, parts)
        found.append(faults)
    return reduce(_both, found, Faults())


def _both(one: Faults, two: Faults) -> Faults:
    return Faults(
        _with(one.gain, two.gain, np.multiply),
        _with(one.asked_rad, two.asked_rad, np.add),
        _with(one.pull_rad, two.pull_rad, lambda a, b: np.where(np.isnan(b), a, b)),
        _with(one.stuck, two.stuck, np.logical_or),
        _with(one.rest_rad, two.rest_rad, np.add),
        _with(one.dropped, two.dropped, np.logical_or),
        _with(one.late_frames, two.late_frames, np.add),
        _with(one.late_ticks, two.late_ticks, np.add),
        _with(one.late_windows, two.late_windows, np.add),
        _with(one.unnoticed, two.unnoticed, np.logical_or),
        one.bad_rows + two.bad_rows,
        _with(one.light, two.light, np.multiply),
    )


def _with(one: Any, two: Any, join: Any) -> Any:
    if one is None or two is None:
        return two if one is None else one
    return join(one, two)


def check_faults(faults: Any, event: Any, number: int, parts: Parts) -> None:
    """Refuse faults of other shapes than those of the run, or that are later than was said."""
    where = f'events.{number}: "{kind_of(event)}"'
    if not isinstance(faults, Faults):
        raise PlugInError(f"{where}: gave {type(faults).__name__}, not Faults")
    n, m = parts.clock.ticks_per_frame, len(parts.mirrors)
    shapes: dict[str, tuple[int, ...]] = {
        **dict.fromkeys(BY_TICK, (n, 2, m)), **dict.fromkeys(BY_MIRROR, (m,)),
        "rest_rad": (2, 2, m),
    }  # fmt: skip
    for name, shape in shapes.items():
        part = getattr(faults, name)
        got = getattr(part, "shape", type(part).__name__)
        if part is not None and got != shape:
            raise PlugInError(f"{where}: {name} must be of shape {shape} (got {got})")
    for name in FREE_OF_NAN:
        part = getattr(faults, name)
        if part is not None and not np.isfinite(part).all():
            raise PlugInError(f"{where}: {name} must be finite")
    most: Lateness = event.lateness
    late = (
        ("late_frames", most.frames), ("late_ticks", most.ticks), ("late_windows", most.windows)
    )
    for name, limit in late:
        part = getattr(faults, name)
        if part is not None and part.size and not 0 <= part.min() <= part.max() <= limit:
            raise PlugInError(
                f"{where}: {name} must be from 0 to {limit}, as its lateness says "
                f"(got {int(part.max() if part.max() > limit else part.min())})"
            )


def rows_hit(
    faults: Faults, parts: Parts, corner_px: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Return the mirrors (M,) whose window has a damaged row."""
    hit = np.zeros(len(parts.mirrors), bool)
    first = corner_px[:, 1] + parts.measurement.centre_px[:, 1]
    last = first + parts.measurement.window_px[0] - 1
    for rows in faults.bad_rows:
        for low, high in rows.spans:
            hit |= rows.mirrors & (first <= high) & (last >= low)
    return hit
