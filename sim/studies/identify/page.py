"""The page of an identification."""

from typing import Any, Final

import numpy as np

from sim.foundations.files.text import counted
from sim.report.response_plot import by_mirror, measured_against_model
from sim.report.study_page import Section, StudyPage, Table
from sim.results.metrics import mirror_name
from sim.scenario.portable import portable_toml
from sim.studies.identify.estimate import AxisEstimate, Value
from sim.studies.identify.identify import LEAST_EXPLAINED, Identified

ASSUMPTIONS: Final = (
    "Each axis is one linear resonance behind delay and amplifier. Higher modes, play and "
    "hysteresis are not in the model; they show as variance that it does not explain.",
    "Intervals are 95 %: from the curvature of the sum of squares, wider where residuals are "
    "correlated, with a stated error of the model added (resonance 0.02 %, quality factor 0.5 %, "
    "gain 0.3 %, delay 0.1 % of a frame, one standard deviation each).",
    "The scale of the readings is taken as exact: its error is an error of the gain.",
    "Estimates from data do not replace the inspection of hardware by qualified people.",
)
SHOWN: Final = (("resonance_hz", "resonance [Hz]"), ("quality", "quality factor [-]"),
                ("gain", "gain [-]"))  # fmt: skip
MOST_ROWS: Final = 48


def identify_page(result: Identified) -> StudyPage:
    """Return the page."""
    estimates = result.estimates
    mirrors = len({e.mirror for e in estimates})
    poor = [e for e in estimates if e.explained is not None and e.explained < LEAST_EXPLAINED]
    doubtful = [e for e in estimates if any("another" in note for note in e.notes)]
    verdict = f"{counted(mirrors, 'mirror')} identified" + _spread(estimates)
    if poor:
        axes = counted(len(estimates), "axis", "axes")
        verdict += f"; the model does not explain {len(poor)} of {axes}"
    if doubtful:
        verdict += f"; the fold of {counted(len(doubtful), 'resonance')} is in doubt"
    sections = []
    pictures = [measured_against_model(*shown) for shown in result.shown]
    if pictures:
        sections.append(Section("Measured against model", pictures=pictures))
    panels = {label: panel for key, label in SHOWN if (panel := _panel(estimates, key))}
    if panels and mirrors > 1:
        nominal: dict[str, Any] = {}
        if result.scenario is not None:
            mirror = result.scenario.mirror
            nominal = {SHOWN[0][1]: mirror.resonance_hz, SHOWN[1][1]: mirror.quality,
                       SHOWN[2][1]: (1.0,)}  # fmt: skip
        sections.append(Section("Every mirror", pictures=[by_mirror(panels, nominal)]))
    ports = (
        None if result.scenario is None else result.scenario.switch.geometry.ports_per_side
    )
    rows = sorted(estimates, key=lambda e: 1.0 if e.explained is None else e.explained)
    caption = f"All {counted(len(rows), 'axis', 'axes')}" if len(rows) <= MOST_ROWS else (
        f"The {MOST_ROWS} axes that the model explains least, of {len(rows)}; all are in "
        "population.csv"
    )  # fmt: skip
    sections.append(
        Section(
            "Estimates",
            tables=[Table(caption, _HEAD, [_row(e, ports) for e in rows[:MOST_ROWS]])],
        )
    )
    return StudyPage(
        title="Identification: " + ", ".join(path.name for path in result.logs.files),
        question="What mirrors do these logs show, and how sure are the numbers?",
        verdict=verdict + ".",
        good=not poor and not doubtful,
        sections=sections,
        notes=[*result.notes, *ASSUMPTIONS],
        scenario_toml="" if result.scenario is None else portable_toml(result.scenario),
    )


NARROW = "\u202f"
"""A narrow space at which no line breaks."""
_HEAD = ["Mirror, axis", "Resonance [Hz]", "Quality factor", "Gain", "Cross-axis [%]",
         "Delay [us]", "Noise [urad]", "Explained", "Notes"]  # fmt: skip


def _row(e: AxisEstimate, ports: int | None) -> list[str]:
    cross = None if e.cross_axis is None else e.cross_axis.scaled(100.0)
    delay = None if e.delay_s is None else e.delay_s.scaled(1e6)
    counts = [counted(e.outliers, "outlier")] if e.outliers else []
    counts += [f"{e.missing} missing"] if e.missing else []
    return [
        f"{e.mirror if ports is None else mirror_name(e.mirror, ports)}, {'xy'[e.axis]}",
        _text(e.resonance_hz), _text(e.quality), _text(e.gain),
        _text(cross), _text(delay),
        "" if e.noise_rad is None else f"{1e6 * e.noise_rad:.1f}",
        "" if e.explained is None else f"{100 * e.explained:.1f} %",
        "; ".join([*counts, *e.notes]),
    ]  # fmt: skip


def _text(value: Value | None) -> str:
    """Value and half its interval, with as many digits as the interval bears out."""
    if value is None:
        return ""
    half = 0.5 * (value.high - value.low)
    decimals = max(0, 1 - int(np.floor(np.log10(half)))) if half > 0 else 3
    return f"{value.value:.{decimals}f}{NARROW}±{NARROW}{half:.{decimals}f}"


def _panel(estimates: tuple[AxisEstimate, ...], key: str) -> list[tuple]:
    both = []
    for axis in (0, 1):
        found = [(e.mirror, v) for e in estimates
                 if e.axis == axis and (v := getattr(e, key)) is not None]  # fmt: skip
        columns = [(m, v.value, v.low, v.high) for m, v in found]
        both.append(tuple(np.array(c, dtype=float) for c in zip(*columns, strict=True)))
    return both if all(both) else []


def _spread(estimates: tuple[AxisEstimate, ...]) -> str:
    parts = []
    for axis in (0, 1):
        found = [e.resonance_hz.value for e in estimates if e.axis == axis and e.resonance_hz]
        if found:
            parts.append(f"{'xy'[axis]} {min(found):.1f} to {max(found):.1f} Hz")
    return f": resonance {', '.join(parts)}" if parts else ""
