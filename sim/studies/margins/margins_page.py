"""The page of a margin study: worst cases by name, the population, and its pictures."""

from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from controllers.analysis.margins import crossing
from sim.foundations.files.text import counted
from sim.foundations.ports import Array
from sim.foundations.ports.linear_law import RoundsLaw
from sim.report.loop_plots import Marked, bode_fan, nyquist_fan, sensitivity_fan, steps_in_time
from sim.report.study_page import Section, StudyPage, Table
from sim.results.units import number, unit_sign
from sim.scenario.portable import portable_toml
from sim.studies.margins.loops import MarginsStudy
from sim.studies.margins.margins import (
    ASSUMPTIONS,
    INTEGRAL_POINTS,
    own_sensitivity,
    rows,
    worst_figures,
)
from sim.studies.margins.required import Required, against_worst, verdict_words

FAN: Final = 40
"""Loops drawn beside the worst one."""
LISTED: Final = 12
WORDS: Final = {
    "gain_margin_db": ("Gain margin", "dB"),
    "phase_margin_deg": ("Phase margin", "deg"),
    "delay_margin_ms": ("Delay margin", "ms"),
    "ms": ("Ms", ""),
    "ms_2x2": ("Ms, both axes together", ""),
    "bandwidth_hz": ("Bandwidth, |S| = -3 dB", "Hz"),
    "noise_gain": ("Noise gain (variance)", ""),
    "pole_radius": ("Nearest pole, radius", ""),
    "step_overshoot_pct": ("Step: overshoot", "%"),
    "step_settling_ms": ("Step: settling to 2 %", "ms"),
}


def page_of(result: MarginsStudy) -> StudyPage:
    """Return the page of a study."""
    table = rows(result)
    found = against_worst(result.built.resolved.requirements, worst_figures(table))
    unstable = [row for row in table if not row["stable"]]
    if unstable:
        mirrors = list(dict.fromkeys(row["name"] for row in unstable))
        shown = ", ".join(map(str, mirrors[:LISTED])) + (", ..." if len(mirrors) > LISTED else "")
        verdict = (
            f"Missed: {len(mirrors)} of {counted(len(result.stable), 'mirror')} unstable ({shown})."
        )
        falls = [row["gain_must_fall_db"] for row in unstable]
        if None not in falls:
            verdict += f" All become stable if the gain falls by {number(max(falls), 'dB', 3)}."
    else:
        verdict = verdict_words(found, 0)
    return StudyPage(
        title=f"Margins: {result.built.resolved.title}",
        question="How far is every loop of the population from its limit, and which is nearest?",
        verdict=verdict,
        good=not unstable and all(row.met for row in found),
        sections=[
            Section(
                "Worst cases and population",
                tables=[_required(found), _population(table), _worst(table), _slowest(table)],
            ),
            *loop_sections(result),
        ],
        notes=[*result.built.warnings, *_in_words(result), *ASSUMPTIONS],
        scenario_toml=portable_toml(result.built.resolved),
    )


def _in_words(result: MarginsStudy) -> tuple[str, ...]:
    if not isinstance(result.built.parts.controller, RoundsLaw):
        return ()
    return (
        "The controller computes in whole numbers: figures are those of the law that the words of "
        "its coefficients stand for. What its roundings add is not in them; `mirrorloop predict` "
        "shows that, and `mirrorloop formats` where the integer loop stands still or swings.",
    )


def _required(found: list[Required]) -> Table:
    """Defaults of the requirements are common practice."""
    lines = []
    for row in found:
        sign = "≤" if row.at_most else "≥"
        asked = f"{sign} {row.required:g} {unit_sign(row.unit)}".rstrip()
        value = "none" if row.value is None else number(row.value, row.unit, 4)
        lines.append([row.words, asked, value, row.where, "met" if row.met else "missed"])
    return Table(
        "Against [requirements] of the scenario (its defaults are common practice)",
        ["Figure", "Required", "Worst", "Where", "Verdict"], lines,
    )  # fmt: skip


def _population(table: list[dict[str, Any]]) -> Table:
    worst = worst_figures(table)
    lines = []
    for key, (words, unit) in WORDS.items():
        values = [row[key] for row in table if row[key] is not None]
        where = worst[key]
        if where is None:
            lines.append([words, "none", "", "", "0"])
            continue
        lines.append(
            [
                words,
                number(where["value"], unit, 4),
                f"{where['name']}, axis {where['axis']}",
                number(float(np.median(values)), unit, 4),
                str(len(values)),
            ]
        )
    return Table(
        "Worst of the population", ["Figure", "Worst", "Where", "Median", "Loops with one"], lines
    )


def _worst(table: list[dict[str, Any]]) -> Table:
    order = sorted(table, key=lambda r: (r["stable"], -(r["ms"] or 0.0)))[:LISTED]
    return Table(
        "Loops by Ms, the worst first; resonance and gain as the spring is at the aim",
        ["Mirror, axis", "Resonance [Hz]", "Gain [-]", "Gain margin [dB]", "Phase [deg]",
         "Delay [ms]", "Ms", "Bandwidth [Hz]", "Noise gain"],
        [
            [f"{r['name']}, {r['axis']}" + ("" if r["stable"] else " (unstable)"),
             number(r["resonance_hz"], "", 4), number(r["gain"], "", 4)]
            + [_cell(r[key]) for key in ("gain_margin_db", "phase_margin_deg", "delay_margin_ms",
                                         "ms", "bandwidth_hz", "noise_gain")]
            for r in order
        ],
    )  # fmt: skip


def _slowest(table: list[dict[str, Any]]) -> Table:
    """Poles and steps."""
    order = sorted(table, key=lambda r: -(r["pole_radius"] or 0.0))[:LISTED]
    return Table(
        "Loops by nearest pole, the slowest first; unit steps by feedback alone",
        ["Mirror, axis", "Pole radius", "Rings at [Hz]", "Damping ratio", "Decay [ms]",
         "Step: rise [ms]", "Overshoot [%]", "Overshoot read [%]", "Settling to 2 % [ms]"],
        [
            [f"{r['name']}, {r['axis']}" + ("" if r["stable"] else " (unstable)")]
            + [_cell(r[key]) for key in ("pole_radius", "pole_hz", "pole_damping", "pole_decay_ms",
                                         "step_rise_ms", "step_overshoot_pct",
                                         "step_overshoot_read_pct", "step_settling_ms")]
            for r in order
        ],
    )  # fmt: skip


def _cell(value: float | None) -> str:
    return "none" if value is None else number(value, "", 4)


def _marked(result: MarginsStudy, seen: NDArray[np.bool_]) -> list[Marked]:
    """The loops with the smallest gain and the smallest phase margin, where these are read."""
    found = []
    axis_of: tuple[tuple[Literal["gain", "phase"], Array], ...] = (
        ("gain", result.margins.gain), ("phase", result.margins.phase_rad),
    )  # fmt: skip
    for kind, values in axis_of:
        known = np.where(result.stable[:, None], values, np.nan)
        if np.isnan(known).all():
            continue
        m, axis = np.unravel_index(int(np.nanargmin(known)), known.shape)
        loop = result.gain[:, m, axis]
        at = crossing(result.frequency_hz, loop)
        here, size = (at.gain_hz, at.gain) if kind == "gain" else (at.phase_hz, at.phase_rad)
        if here is None or size is None:
            continue
        margin = 20 * np.log10(size) if kind == "gain" else abs(np.degrees(size))
        name = result.name(int(m), int(axis)).removeprefix("mirror ")
        found.append(Marked(name, kind, loop[seen], here, float(margin)))
    return found


def loop_sections(result: MarginsStudy) -> list[Section]:
    """Pictures of the loops, each a column of a fan, the worst one last, with what is required."""
    m, axis = result.worst
    worst = result.name(m, axis)
    flat_ms = result.margins.ms.ravel()
    last = 2 * m + axis
    order = np.argsort(flat_ms)
    order = order[order != last]
    if len(order) > FAN:
        order = order[np.linspace(0, len(order) - 1, FAN).astype(int)]
    chosen = np.append(order, last)
    total = flat_ms.size
    gain = result.gain.reshape(len(result.gain), -1)[:, chosen]
    size = 1.0 / np.abs(1.0 + gain)
    nyquist = result.frequency_hz[-1]
    midpoints = nyquist * (np.arange(INTEGRAL_POINTS) + 0.5) / INTEGRAL_POINTS
    log = np.log(own_sensitivity(result.loop, midpoints)[:, m, axis])
    low, axis_low = result.least_gain
    other = None if (low, axis_low) == (m, axis) else result.name(low, axis_low)
    loop = result.gain[:, low, axis_low]
    seen = np.abs(gain).max(axis=1) < 1e3
    required = result.built.resolved.requirements
    sections = [
        Section(
            "Bode",
            pictures=[
                bode_fan(
                    result.frequency_hz[seen], gain[seen], total, worst,
                    _marked(result, seen), required,
                )
            ],
        ),
        Section(
            "Nyquist",
            pictures=[
                nyquist_fan(
                    gain, total, worst, result.margins.ms[m, axis], required,
                    None if other is None else (other, loop),
                )
            ],
        ),
        Section(
            "Sensitivity",
            pictures=[
                sensitivity_fan(
                    result.frequency_hz[seen], size[seen], total, worst, float(log.mean()),
                    float(np.minimum(log, 0).mean()), float(np.maximum(log, 0).mean()),
                    required, None if other is None else (other, 1 / np.abs(1 + loop[seen])),
                )
            ],
        ),
    ]  # fmt: skip
    if result.stable.all():
        steps = result.steps
        step, rest = (
            each.reshape(len(steps.time_s), -1)[:, chosen]
            for each in (steps.reference, steps.rest)
        )
        second = None
        if other is not None:
            second = (
                other, steps.reference[:, low, axis_low], steps.rest[:, low, axis_low]
            )  # fmt: skip
        picture = steps_in_time(
            1e3 * steps.time_s, step, rest, 1e3 * result.built.parts.clock.frame_s,
            steps.reference_read[:, m, axis], steps.rest_read[:, m, axis], total, worst, second,
        )  # fmt: skip
        sections.append(Section("Steps", pictures=[picture]))
    return sections
