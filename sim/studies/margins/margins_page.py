"""The page of a margin study: worst cases by name, the population, and its pictures."""

from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from controllers.analysis.margins import crossing
from sim.ports import Array
from sim.report.loop_plots import Marked, answers_in_time, bode_fan, nyquist_fan, sensitivity_fan
from sim.report.study_page import Section, StudyPage, Table
from sim.results.units import number, unit_sign
from sim.scenario.portable import portable_toml
from sim.studies.margins.margins import (
    ASSUMPTIONS,
    INTEGRAL_POINTS,
    MarginsStudy,
    own_sensitivity,
    responses,
    rows,
    worst_of,
)
from sim.studies.margins.required import Required, against, verdict_words

FAN: Final = 40
"""Loops drawn beside the worst one."""
LISTED: Final = 12
LEAST_FRAMES, MOST_FRAMES = 30, 200
WORDS: Final = {
    "gain_margin_db": ("Gain margin", "dB"),
    "phase_margin_deg": ("Phase margin", "deg"),
    "delay_margin_ms": ("Delay margin", "ms"),
    "ms": ("Ms", ""),
    "ms_2x2": ("Ms, both axes together", ""),
    "bandwidth_hz": ("Bandwidth, |S| = -3 dB", "Hz"),
    "noise_gain": ("Noise gain (variance)", ""),
}


def page_of(result: MarginsStudy) -> StudyPage:
    """Return the page of a study."""
    table = rows(result)
    found = against(result.built.resolved.requirements, worst_of(table))
    unstable = [row for row in table if not row["stable"]]
    if unstable:
        mirrors = sorted({row["mirror"] for row in unstable})
        shown = ", ".join(map(str, mirrors[:LISTED])) + (", ..." if len(mirrors) > LISTED else "")
        verdict = f"Missed: {len(mirrors)} of {len(result.stable)} mirrors are unstable ({shown})."
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
                tables=[_required(found), _population(table), _worst(table)],
            ),
            *loop_sections(result),
        ],
        notes=[*result.built.warnings, *ASSUMPTIONS],
        scenario_toml=portable_toml(result.built.resolved),
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
    worst = worst_of(table)
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
        "Loops by Ms, the worst first",
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
    slowest = 1e-3 * nyquist
    if np.isfinite(result.margins.bandwidth_hz).any():
        slowest = float(np.nanmin(result.margins.bandwidth_hz))
    n_frames = int(np.clip(nyquist / slowest, LEAST_FRAMES, MOST_FRAMES))
    step, rest = (
        r.reshape(n_frames, -1)[:, chosen] for r in responses(result, n_frames)
    )
    seen = np.abs(gain).max(axis=1) < 1e3
    required = result.built.resolved.requirements
    frame_ms = 1e3 * result.built.parts.clock.frame_s
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
            pictures=[nyquist_fan(gain, total, worst, result.margins.ms[m, axis], required)],
        ),
        Section(
            "Sensitivity",
            pictures=[
                sensitivity_fan(
                    result.frequency_hz[seen], size[seen], total, worst, float(log.mean()),
                    float(np.minimum(log, 0).mean()), float(np.maximum(log, 0).mean()),
                    required,
                )
            ],
        ),
    ]  # fmt: skip
    if result.stable.all():
        picture = answers_in_time(frame_ms, step, rest, total, worst)
        sections.append(Section("Responses in time", pictures=[picture]))
    return sections
