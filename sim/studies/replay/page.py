"""The page of a replay."""

from typing import Any, Final

from sim.foundations.files.text import counted
from sim.report.study_page import Section, StudyPage, Table
from sim.results.table import LIMITED
from sim.scenario.portable import portable_toml
from sim.studies.played.sections import sections_of
from sim.studies.replay import plots
from sim.studies.replay.figures import EVENT_FIGURES
from sim.studies.replay.study import Replay

ASSUMPTIONS: Final = (
    "A level multiplies the acceleration of the whole profile. Open loop: feed-forward alone, so "
    "errors of calibration and alignment stay. Dark: the camera sees nothing from the start; lost "
    "frames are not judged there.",
    "A margin is found by bisection over the level with several noise seeds on one switch; its "
    "interval reaches from the highest level that all seeds met to the lowest from which on all of "
    "them miss. It speaks of these seeds, this switch and this model, and of no other sample.",
    "Mechanisms are found by taking one contributor away at a time. They act together, so their "
    "shares do not add up.",
    "Levels are the user's; no level of a standard is claimed.",
)


def cell(value: Any, digits: int = 4) -> str:
    """Return a figure as text; a dash where there is none."""
    if value is None:
        return "–"
    if isinstance(value, str | int):
        return str(value)
    return f"{value:.0f}" if abs(value) >= 10.0**digits / 10.0 else f"{value:.{digits}g}"


def page_of(found: Replay) -> StudyPage:
    """Return the page."""
    sections = [
        Section("Cases", ["Recovery “–”: a connection is still out when the run ends.",
                          *_worst(found)], _cases(found), plots.courses(found)),
    ]  # fmt: skip
    if found.margins:
        picture = plots.margins(found)
        pictures = [] if picture is None else [picture]
        margin = Section(
            "Margin to failure", [*_mechanisms(found), *_unsure(found)], _margins(found), pictures
        )
        sections.insert(0, margin)
    sections += sections_of(found.events, "What shakes the base")
    closed = [case for case in found.cases if case["loop"] == "closed"] or found.cases
    return StudyPage(
        title=f"Replay: {found.scenario.title}",
        question=found.scenario.question.strip(),
        verdict=found.verdict,
        good=all(case["verdict"] == "met" for case in closed),
        sections=sections,
        notes=ASSUMPTIONS,
        scenario_toml=portable_toml(found.scenario),
        played=found.played,
    )


def _unsure(found: Replay) -> list[str]:
    odd = [row for row in found.margins if not row["monotone"]]
    if not odd:
        return ["Every limit, once missed, was missed at all higher levels that were tried."]
    names = ", ".join(f"{r['limit']} ({r['along']}, {r['loop']} loop)" for r in odd)
    return [
        f"Not monotone: {names}. There a limit was met above a level at which the same seed missed "
        "it; the lowest miss is what counts, and higher levels may pass."
    ]


def _margins(found: Replay) -> list[Table]:
    order = sorted(
        found.margins, key=lambda r: (r["first_missed"] is None, r["first_missed"] or 0.0)
    )
    return [
        Table(
            f"{name}: level at which each limit is first missed, "
            f"{counted(found.seeds, 'noise seed')}",
            ["Limit", "Along", "Loop", "Level", "From", "To", "Where"],
            [
                [row["said"], row["along"], row["loop"], _level(row),
                 cell(row["factor_low"], 3), cell(row["factor_high"], 3), cell(row["where"])]
                for row in order
                if row["profile"] == name
            ],
        )
        for name in dict.fromkeys(row["profile"] for row in order)
    ]  # fmt: skip


def _mechanisms(found: Replay) -> list[str]:
    """One line for each way in which limits are missed."""
    groups: dict[str, list[str]] = {}
    for row in found.margins:
        if row["mechanism"] is not None:
            level = f"{row['said']} ({row['along']}, {row['loop']} loop)"
            groups.setdefault(row["mechanism"].partition(";")[0], []).append(level)
    return [f"Missed because of {words}: {', '.join(names)}." for words, names in groups.items()]


def _level(row: dict[str, Any]) -> str:
    if row["factor"] is not None:
        return f"{row['factor']:.3g}"
    if row["first_missed"] is None:
        return f"above {max(row['levels_tried']):.3g}"
    return f"below {row['first_missed']:.3g}"


SHOWN: Final = [f for f in EVENT_FIGURES if f.key != "core_peak_g"]


def _cases(found: Replay) -> list[Table]:
    """Return a table for each profile, axis and sense."""
    groups: dict[str, list[dict[str, Any]]] = {}
    for case in found.cases:
        name = f"{case['profile']}, along {case['along']}"
        groups.setdefault(name, []).append(case)
    sway = any(case["figures"]["sway_mm"] is not None for case in found.cases)
    shown = [f for f in SHOWN if sway or f.key != "sway_mm"]
    return [
        Table(
            name,
            ["Level", "Loop", *(f"{f.words} [{f.unit}]" if f.unit else f.words for f in shown),
             "Verdict"],
            [
                [f"{c['level']:g}", c["loop"], *(cell(c["figures"][f.key]) for f in shown),
                 c["verdict"]]
                for c in cases
            ],
        )
        for name, cases in groups.items()
    ]  # fmt: skip


def _worst(found: Replay) -> list[str]:
    """Return what is missed and not shown, one line for all levels of which the same is true."""
    groups: dict[tuple[str, str], list[str]] = {}
    for c in found.cases:
        said = [
            f"misses {LIMITED[name].said}; worst {cell(c['where'])}" for name in c["missed"][:1]
        ]
        if c["missed"][1:]:
            said[0] += f"; and {', '.join(LIMITED[name].said for name in c['missed'][1:])}"
        said += [f"is not shown: {text}" for text in c["not_shown"]]
        for text in said:
            groups.setdefault((f"{c['along']}, {c['loop']} loop", text), []).append(
                f"{c['level']:g}"
            )
    return [
        f"{head}, level{'s' if len(levels) > 1 else ''} {', '.join(levels)}: {text}."
        for (head, text), levels in groups.items()
    ]
