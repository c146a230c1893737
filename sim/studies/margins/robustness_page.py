"""What the study of changes files."""

from collections.abc import Sequence
from typing import Any, Final

from sim.assembly.build import Built
from sim.foundations.files.text import counted
from sim.report.robustness_plot import robustness
from sim.report.study_page import Section, StudyPage, Table
from sim.results.requirements import RequirementsParams
from sim.results.units import number
from sim.scenario.portable import portable_toml
from sim.studies.margins.plant import plant_word
from sim.studies.margins.robustness import Fastest, Point
from sim.studies.margins.together import Together, together_verdict
from sim.studies.margins.worst import SURE

ASSUMPTIONS: Final = (
    "Changes are one at a time, the same for every mirror, on top of the population's own spread; "
    "springs are stiffened as at the last aims. See docs/loops.md for what the loop leaves out.",
    "Several changes at once: the same for all mirrors, over populations of several seeds.",
    "Jitter is that of the described switch's disturbances; what a changed resonance makes of them "
    "is not in it.",
    "A changed delay moves off the drive's tick grid; the scenario's own delay is on it.",
    "The fastest loop is a plain integrator's. With a resonance near or above half the frame rate, "
    "where it folds to decides as much as the delay does.",
)
LISTED: Final = 12
FIGURES: Final = (("ms", "largest Ms"), ("gain_margin_db", "smallest gain margin [dB]"),
                  ("phase_margin_deg", "smallest phase margin [deg]"),
                  ("jitter_urad", "predicted jitter [µrad]"))  # fmt: skip


def tables_of(
    built: Built, points: Sequence[Point], rows: Sequence[Fastest], found: Together
) -> dict[str, Any]:
    """Return what `sensitivity.json` holds."""
    plant = {"plant": plant_word(built)}
    return {
        "changes": [p._asdict() | plant for p in points],
        "together": [c._asdict() | plant for c in (*found.corners, *found.inside)],
        "fastest": [r._asdict() | plant for r in rows],
    }


def _corners(found: Together, required: RequirementsParams) -> Table:
    order = sorted(found.corners[1:], key=lambda c: (-c.unstable, -(c.ms or 0.0)))[:LISTED]
    rows = []
    for c in (found.corners[0], *found.inside, *order):
        cells = [c.label, "unstable" if c.unstable else number(c.ms or 1.0, "", 4)]
        for value, mirror in ((c.gain_margin_db, c.gain_mirror),
                              (c.phase_margin_deg, c.phase_mirror)):  # fmt: skip
            cells.append("none" if value is None else f"{number(value, '', 4)} ({mirror})")
        cells[1] += f" ({c.ms_mirror})" if c.ms_mirror else f", {counted(c.unstable, 'mirror')}"
        rows.append([*cells, "met" if c.keeps(required) else "missed"])
    return Table(
        "Switches within [uncertainty]: as described, worse inside than in any corner, and corners "
        "by Ms",
        ["Changes", "Ms", "Gain margin [dB]", "Phase margin [deg]", "Requirements"], rows,
    )  # fmt: skip


def robustness_page(
    built: Built, points: Sequence[Point], rows: Sequence[Fastest], found: Together
) -> StudyPage:
    """Return the page."""
    kinds = list(dict.fromkeys(p.what for p in points))
    panels = {
        label: {
            kind: [(p.factor, getattr(p, key)) for p in points
                   if p.what == kind and getattr(p, key) is not None]
            for kind in kinds
        }
        for key, label in FIGURES
    }  # fmt: skip
    latencies = list(dict.fromkeys(r.latency_us for r in rows))
    curves = {
        f"{latency:g} µs": [
            (r.frame_hz, r.bandwidth_hz)
            for r in rows
            if r.latency_us == latency and r.bandwidth_hz is not None
        ]
        for latency in latencies
    }
    lost = [p for p in points if p.ms is None]
    here = next(r for r in rows if abs(r.frame_hz / built.resolved.camera.frame_hz - 1) < 1e-9
                and r.latency_us == built.resolved.camera.latency_us)  # fmt: skip
    limit = (
        "no plain integrator keeps the margins"
        if here.bandwidth_hz is None or here.gain is None
        else f"a plain integrator reaches {number(here.bandwidth_hz, 'Hz')} at a gain of "
        f"{here.gain:.3f}"
    )
    required = built.resolved.requirements
    missed = [p for p in points if p.ms is not None and _misses(p, required)]
    verdict = (
        "Stable at every change looked at"
        if not lost
        else f"Unstable at {len(lost)} of {counted(len(points), 'change')}: "
        + ", ".join(f"{p.what} x {p.factor:.2f}" for p in lost)
    )
    verdict += (
        ", requirements kept at all of them"
        if not missed and not lost
        else f"; a requirement is missed at {len(missed)} more: {_named(missed)}"
        if missed
        else ""
    )
    return StudyPage(
        title=f"Sensitivity: {built.resolved.title}",
        question="What if mirrors, delay or frame rate are not as described, and how fast could "
        "the loop be?",
        verdict=f"{verdict}. {together_verdict(found, required)} At this frame rate and latency "
        f"{limit}, margins kept.",
        good=not lost and not any(c.unstable for c in (*found.corners, *found.inside)),
        sections=[
            Section("Changes", pictures=[robustness(panels, curves, {
                FIGURES[0][1]: required.max_sensitivity,
                FIGURES[1][1]: required.gain_margin_db,
                FIGURES[2][1]: required.phase_margin_deg,
            })]),
            Section(
                "Several changes at once",
                [] if found.looked is None else [f"Looked at: {found.looked.words}."],
                [_corners(found, required)],
            ),
            Section(
                "Fastest plain loop",
                tables=[
                    Table(
                        "Ms, gain and phase margin of [requirements] kept for every mirror",
                        ["Frame rate [Hz]", "Latency [µs]", "Gain", "Bandwidth [Hz]"],
                        [[f"{r.frame_hz:g}", f"{r.latency_us:g}",
                          "none" if r.gain is None else f"{r.gain:.3f}",
                          "none" if r.bandwidth_hz is None else number(r.bandwidth_hz)]
                         for r in rows],
                    )
                ],
            ),
        ],
        notes=[*built.warnings, *ASSUMPTIONS, *([] if found.looked is None else [SURE])],
        scenario_toml=portable_toml(built.resolved),
    )  # fmt: skip


def _misses(p: Point, required: RequirementsParams) -> bool:
    return (
        (p.ms is not None and p.ms > required.max_sensitivity)
        or (p.gain_margin_db is not None and p.gain_margin_db < required.gain_margin_db)
        or (p.phase_margin_deg is not None and p.phase_margin_deg < required.phase_margin_deg)
    )


def _named(points: Sequence[Point]) -> str:
    """Name changes; none means that the scenario as it is misses."""
    words = [
        "no change at all" if p.factor == 1.0 else f"{p.what} x {p.factor:.2f}" for p in points
    ]
    return ", ".join(dict.fromkeys(words))
