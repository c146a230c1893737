"""What a run will do, before it is done: frames, events, limits, and whether a spot can be read."""

from collections.abc import Iterator
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.assembly.build import Built
from sim.camera.settings import window_origin
from sim.foundations.files.text import counted
from sim.foundations.ports import SpotStatus, conditions_of, stated_events
from sim.loop.sight import expected_px, true_px
from sim.report.filing_block import profile_words
from sim.results.exercise import not_exercised
from sim.results.hold import HoldInterval, hold_of
from sim.results.table import LIMITED
from sim.results.units import unit_sign
from sim.studies.played.required_spectrum import missed_spectra

STILL_FRAMES = 8
"""Frames of still spots that are read to see whether the estimator can."""
GOOD_SHARE = 0.99
"""Share of readings below which a typical spot does not pass the estimator's thresholds. [-]"""


def strip_of(built: Built) -> list[tuple[str, str]]:
    """Return the size of the switch for the strip of a page."""
    parts, ports = built.parts, built.resolved.switch.geometry.ports_per_side
    return [(
        "switch",
        f"{counted(ports, 'input')}, {counted(len(parts.mirrors), 'mirror')}, "
        f"{counted(len(parts.inputs), 'connection')}",
    )]  # fmt: skip


def played_in(built: Built) -> list[dict[str, Any]]:
    """Return records and shocks of a run, as they are filed."""
    return list(conditions_of(built.parts.disturbances))


def unexercised(built: Built) -> list[str]:
    """Return why limits would not be put to the test; see `sim.results.exercise`."""
    parts = built.parts
    run_s = parts.clock.n_frames * parts.clock.frame_s
    moves_s = [epoch.start_s for epoch in parts.epochs if epoch.commanded]
    found = not_exercised(stated_events(parts.disturbances), moves_s, _hold(built), run_s)
    without_images = built.resolved.camera.noise == "equivalent"
    if without_images and built.resolved.limits.lost_frames_max is not None:
        found.append('no spot can be lost with camera.noise = "equivalent", which makes no images')
    return found


def _hold(built: Built) -> HoldInterval:
    clock = built.parts.clock
    return hold_of(built.resolved.metrics, 1e3 * clock.n_frames * clock.frame_s)


class Preview(NamedTuple):
    """What a run will do, before it is done."""

    lines: list[str]
    """What is going to happen, and what each limit will be judged on."""
    warnings: list[str]
    """What keeps the run from showing what it is asked for."""


def preview(built: Built, *, plain: bool = False) -> Preview:
    """Return what a run will do, in lines, and why it would show nothing.

    Parameters
    ----------
    built : Built
        The run, with the code of its parts loaded.
    plain : bool
        Whether to print ASCII alone.
    """
    parts = built.parts
    clock, hold = parts.clock, _hold(built)
    lines = [
        f"run: {counted(clock.n_frames, 'frame')} of {1e3 * clock.frame_s:g} ms, "
        f"{clock.n_frames * clock.frame_s:g} s; {counted(len(parts.mirrors), 'mirror')}, "
        f"{counted(len(parts.inputs), 'connection')}",
        f"hold interval: {hold.from_ms:g} to {hold.to_ms:g} ms",
    ]
    moves = [epoch for epoch in parts.epochs if epoch.commanded]
    for epoch in moves:
        stages = f", in {len(epoch.stages)} stages" if len(epoch.stages) > 1 else ""
        lines.append(
            f"move: at {1e3 * epoch.start_s:g} ms, "
            f"{counted(int(epoch.moved.sum()), 'mirror')}{stages}"
        )
    lines += _events(built, plain)
    for happening in parts.events:
        event, struck = happening.event, int(happening.mirrors.sum())
        lines.append(f"event: at {1e3 * event.from_s:g} ms {event.name}, "
                     f"{counted(struck, 'mirror')}")
    limits, cannot = _limits(built, hold, plain)
    lines += limits
    spots, unread = _spots(built)
    lines += spots
    lines.append(f"processor: {built.arithmetic.words}")
    late = built.arithmetic.fault
    warnings = [
        *(f"not exercised: {reason}" for reason in unexercised(built)),
        *(f"not shown: {reason}" for reason in missed_spectra(built)),
        *cannot,
        *unread,
        *([] if late is None else [f"the estimator does not fit its processor: {late}"]),
    ]
    return Preview(lines, warnings)


def _events(built: Built, plain: bool) -> Iterator[str]:
    for c in conditions_of(built.parts.disturbances):
        if "samples" in c:  # measured
            peaks = ", ".join(f"{axis} {v / 9.80665:.3g}" for axis, v in c["peak_m_s2"].items())
            yield (
                f"record: {c['file']}, {counted(c['samples'], 'sample')} at {c['rate_hz']:.6g} "
                "Hz (holds "
                f"nothing above {c['rate_hz'] / 2:.4g} Hz), {c['duration_s']:.4g} s from "
                f"{c['starts_at_ms']:g} ms, peaks {peaks} g, unit in the file {c['unit_in_file']}"
            )
        elif "pulse" in c and "count" not in c:
            yield (
                f"shock: {c['pulse']}, {c['peak_g']:g} g, {c['duration_ms']:g} ms along "
                f"{c['direction']} from {c['starts_at_ms']:g} ms, velocity change "
                f"{c['velocity_change_m_s']:.3g} m/s"
            )
        elif "kind" in c:
            text = f"{str(c['kind']).replace('_', ' ')}: {profile_words(c)}"
            yield text.replace("²", "^2") if plain else text


def _limits(built: Built, hold: HoldInterval, plain: bool) -> tuple[list[str], list[str]]:
    """Return what each limit will be judged on, and those that cannot be met."""
    limits, parts = built.resolved.limits, built.parts
    asked = {name: getattr(limits, name) for name in LIMITED if getattr(limits, name) is not None}
    if not asked:
        return ["limits: none; the run will have no verdict"], []
    moves = [epoch for epoch in parts.epochs if epoch.commanded]
    held = [c for c in moves if hold.from_s <= c.start_s < hold.to_s]
    moved = sum(int(e.moved.sum()) for e in moves)
    lines, cannot = [], []
    for name, limit in asked.items():
        figure = LIMITED[name]
        sign = ("<=" if plain else "≤") if figure.worse == "higher" else (">=" if plain else "≥")
        unit = unit_sign(figure.unit, plain=plain)
        group = figure.path.split(".")[0]
        on = {
            "settling": f"{counted(moved, 'move')} of mirrors after "
                        f"{counted(len(moves), 'command')}",
            "time_to_light": f"the connections moved by {counted(len(moves), 'command')}",
            "pointing": f"{counted(len(parts.mirrors), 'mirror')}, {hold.from_ms:g} to "
                        f"{hold.to_ms:g} ms",
            "coupling": f"{counted(len(parts.inputs), 'connection')}, {hold.from_ms:g} to "
                        f"{hold.to_ms:g} ms",
            "lost": f"{counted(len(parts.mirrors), 'mirror')} x "
                    f"{counted(parts.clock.n_frames, 'frame')}, the whole run",
            "wrong_spots": f"{counted(len(parts.mirrors), 'mirror')} x "
                           f"{counted(parts.clock.n_frames, 'frame')}",
            "sway": "the core on its mounts, the whole run",
            "events": f"{counted(len(parts.events), 'event')}, each until the next of its mirrors",
        }[group]  # fmt: skip
        if group in ("pointing", "coupling") and held:
            on += f", the transients of {counted(len(held), 'command')} with it"
        lines.append(f"{f'limit: {figure.words} {sign} {limit:g} {unit}'.rstrip()}, judged on {on}")
        if group in ("settling", "time_to_light") and not moves:
            cannot.append(f"{name} cannot be met: nothing moves")
        if group == "events" and not parts.events:
            cannot.append(f"{name} cannot be met: there is no event")
        if group == "wrong_spots" and not parts.measurement.params.spill:
            cannot.append(f"{name} cannot be met: camera.spill is off")
        if group == "sway" and built.resolved.isolator is None:
            cannot.append(f"{name} cannot be met: there is no [isolator]")
        if group == "coupling" and not parts.inputs.size:
            cannot.append(f"{name} cannot be met: there is no connection")
    return lines, cannot


def still_status(built: Built) -> NDArray[np.uint8]:
    """Return the status (F, M) of some frames of still spots at the first aims."""
    parts = built.parts
    aim_px = true_px(parts, parts.epochs[0].aim_rad)
    origin = window_origin(
        expected_px(parts, parts.epochs[0].aim_rad), parts.measurement.window_px
    )
    position = np.ascontiguousarray(
        np.broadcast_to((aim_px - origin).T, (len(parts.exposure_weights), 2, len(aim_px)))
    )
    return np.stack(
        [parts.measurement.read(position, k, origin).status for k in range(STILL_FRAMES)]
    )


def _spots(built: Built) -> tuple[list[str], list[str]]:
    """Read some frames of still spots, and say what share cannot be read."""
    if built.resolved.camera.noise == "equivalent":
        return ["spots: errors of readings are drawn from a table; no spot can be lost"], []
    status = still_status(built)
    good = float((status == SpotStatus.OK).mean())
    line = [f"spots: {100 * good:.4g} % of still spots are read"]
    if good >= GOOD_SHARE:
        return line, []
    causes = ", ".join(
        f"{cause.name.lower()} {100 * float((status == cause).mean()):.0f} %"
        for cause in SpotStatus
        if cause != SpotStatus.OK and (status == cause).any()
    )
    return line, [
        f"a typical spot does not pass the estimator's thresholds: {100 * (1 - good):.0f} % of "
        f"still spots are lost ({causes})"
    ]
