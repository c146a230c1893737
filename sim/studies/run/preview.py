"""What a run will do, before it is done: frames, events, limits, and whether a spot can be read."""

from collections.abc import Iterator
from typing import Any

import numpy as np

from sim.assembly.build import Built
from sim.camera.settings import window_origin
from sim.ports import SpotStatus, conditions_of, events_of
from sim.results.exercise import not_exercised
from sim.results.hold import Hold, hold_of
from sim.results.limits import LimitsParams
from sim.results.table import LIMITED
from sim.results.units import unit_sign

STILL_FRAMES = 8
"""Frames of still spots that are read to see whether the estimator can."""
GOOD_SHARE = 0.99
"""Share of readings below which a typical spot does not pass the estimator's thresholds. [-]"""


def strip_of(built: Built) -> list[tuple[str, str]]:
    """Return the size of the switch for the strip of a page."""
    parts, ports = built.parts, built.resolved.switch.geometry.ports_per_side
    return [
        ("switch", f"{ports} inputs, {len(parts.mirrors)} mirrors, {len(parts.inputs)} connections")
    ]


def played_in(built: Built) -> list[dict[str, Any]]:
    """Return records and shocks of a run, as they are filed."""
    return list(conditions_of(built.parts.disturbances))


def unexercised(built: Built) -> list[str]:
    """Return why limits would not be put to the test; see `sim.results.exercise`."""
    parts = built.parts
    run_s = parts.clock.n_frames * parts.clock.frame_s
    moves_s = [epoch.start_s for epoch in parts.epochs if epoch.commanded]
    return not_exercised(events_of(parts.disturbances), moves_s, _hold(built), run_s)


def _hold(built: Built) -> Hold:
    clock = built.parts.clock
    return hold_of(built.resolved.metrics, 1e3 * clock.n_frames * clock.frame_s)


def preview(built: Built, *, plain: bool = False) -> list[str]:
    """Return what a run will do, in lines.

    Parameters
    ----------
    built : Built
        The run, with the code of its parts loaded.
    plain : bool
        Whether to print ASCII alone.
    """
    parts, scenario = built.parts, built.resolved
    clock, hold = parts.clock, _hold(built)
    lines = [
        f"run: {clock.n_frames} frames of {1e3 * clock.frame_s:g} ms, "
        f"{clock.n_frames * clock.frame_s:g} s; {len(parts.mirrors)} mirrors, "
        f"{len(parts.inputs)} connections",
        f"hold interval: {hold.from_ms:g} to {hold.to_ms:g} ms",
    ]
    moves = [epoch for epoch in parts.epochs if epoch.commanded]
    for epoch in moves:
        lines.append(f"move: at {1e3 * epoch.start_s:g} ms, {int(epoch.moved.sum())} mirrors")
    lines += _events(built)
    lines += _limits(scenario.limits, hold, bool(moves), plain)
    lines += _spots(built)
    return lines


def _events(built: Built) -> Iterator[str]:
    for c in conditions_of(built.parts.disturbances):
        if "samples" in c:  # measured
            peaks = ", ".join(f"{axis} {v / 9.80665:.3g}" for axis, v in c["peak_m_s2"].items())
            yield (
                f"record: {c['file']}, {c['samples']} samples at {c['rate_hz']:.6g} Hz (holds "
                f"nothing above {c['rate_hz'] / 2:.4g} Hz), {c['duration_s']:.4g} s from "
                f"{c['starts_at_ms']:g} ms, peaks {peaks} g, unit in the file {c['unit_in_file']}"
            )
        elif "pulse" in c:
            yield (
                f"shock: {c['pulse']}, {c['peak_g']:g} g, {c['duration_ms']:g} ms along "
                f"{c['direction']} from {c['starts_at_ms']:g} ms, velocity change "
                f"{c['velocity_change_m_s']:.3g} m/s"
            )


def _limits(limits: LimitsParams, hold: Hold, moves: bool, plain: bool) -> Iterator[str]:
    asked = {name: getattr(limits, name) for name in LIMITED if getattr(limits, name) is not None}
    if not asked:
        yield "limits: none; the run will have no verdict"
    for name, limit in asked.items():
        figure = LIMITED[name]
        sign = ("<=" if plain else "≤") if figure.worse == "higher" else (">=" if plain else "≥")
        unit = unit_sign(figure.unit, plain=plain)
        text = f"limit: {figure.words} {sign} {limit:g} {unit}".rstrip()
        switching = figure.path.split(".")[0] in ("settling", "time_to_light")
        missing = "; nothing moves, so it cannot be met" if switching and not moves else ""
        yield f"{text}, over {figure.includes}{missing}"


def _spots(built: Built) -> Iterator[str]:
    """Read some frames of still spots, and say what share cannot be read."""
    parts = built.parts
    aim_px = parts.scale_px_per_rad * parts.epochs[0].aim_rad
    origin = window_origin(aim_px, parts.measurement.window_px)
    position = np.ascontiguousarray(
        np.broadcast_to((aim_px - origin).T, (len(parts.exposure_weights), 2, len(aim_px)))
    )
    status = np.stack(
        [parts.measurement.read(position, k, origin).status for k in range(STILL_FRAMES)]
    )
    good = float((status == SpotStatus.OK).mean())
    if good < GOOD_SHARE:
        causes = ", ".join(
            f"{cause.name.lower()} {100 * float((status == cause).mean()):.0f} %"
            for cause in SpotStatus
            if cause != SpotStatus.OK and (status == cause).any()
        )
        yield (
            f"warning: a typical spot does not pass the estimator's thresholds: "
            f"{100 * (1 - good):.0f} % of still spots are lost ({causes})"
        )
    else:
        yield f"spots: {100 * good:.4g} % of still spots are read"
