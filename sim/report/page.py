"""The page of a run: one HTML file that needs nothing else, its verdict first."""

from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np

from sim.foundations.files.text import counted
from sim.report import surroundings_plots
from sim.report.array_maps import array_maps
from sim.report.base import base_of, template
from sim.report.drawing import GREEN
from sim.report.event_rows import event_rows, event_spans
from sim.report.filing_block import short_name, spectrum_rows
from sim.report.rankings import rankings
from sim.report.run_plots import loss_histogram
from sim.report.study_page import Section
from sim.report.time_plots import (
    Line,
    PeakCurves,
    after_command_picture,
    error_picture,
    loss_picture,
    sensor_picture,
    temperature_picture,
)
from sim.report.view import ReportView
from sim.results.connection_losses import DARK_DB, is_dark
from sim.results.hold import HoldInterval
from sim.results.metrics import mirror_name
from sim.results.table import FIGURES, LIMITED
from sim.results.units import number, number_beside, unit_sign, with_signs
from sim.results.verdict import used_share

GROUPS: Final = {
    "pointing": "Pointing error, radial mechanical tilt",
    "coupling": "Coupling loss, fibre to fibre",
    "settling": "Settling, moved mirrors", "time_to_light": "Time to light, moved connections",
    "sway": "Sway of the core", "lost": "Spots and stops", "stops": "Spots and stops",
    "wrong_spots": "Spots and stops", "events": "Events",
}  # fmt: skip
MAY_LACK = ("sway", "wrong_spots", "events")
"""Groups whose figures do not exist in every run."""
SWITCHING = ("settling", "time_to_light")
LOST_WORDS: Final = {
    "dim": "too dim", "edge": "at the window's edge", "failed": "no position found",
    "search": "field being searched", "wrong_spot": "taken for another mirror's spot",
}  # fmt: skip
AT_LIMIT_PCT = 66.667
"""Where the bar of a value that equals its limit ends. [%]"""


def page_of(view: ReportView) -> str:
    """Return the report as one HTML page with its pictures inside.

    Parameters
    ----------
    view : ReportView
        What to show.

    Returns
    -------
    str
        The page. It loads nothing from elsewhere and runs no script. All text is escaped.
    """
    head, colon, sentence = view.verdict.text.partition(": ")
    deciding = LIMITED[view.verdict.deciding].path if view.verdict.deciding else ""
    parts = view.aligned_parts_db or {}
    most = max((float(v.mean()) for v in parts.values()), default=1.0) or 1.0
    base = base_of(
        title=view.title,
        question=view.question,
        provenance=view.provenance,
        strip=_strip(view),
        notes=view.notes,
        played=view.conditions,
        conditions=list(spectrum_rows(view.shock_spectrum)),
        input_text=view.scenario_toml,
    )
    return template("template.html", filters={"number": number, "signs": with_signs}).render(
        base=base,
        view=view,
        f=view.figures,
        verdict_head=f"{head}{colon}",
        verdict_rest=_arrows(sentence),
        limits=[_limit_row(view, row) for row in sorted(view.limits, key=used_share, reverse=True)],
        sections=_sections(view, deciding),
        events=event_rows(view.figures["events"]["rows"]),
        rankings=rankings(view.rows, view.limits),
        lost_text=f"{_lost(view)}{_wrong_spots(view)}",
        map_picture=None
        if view.places_mm is None
        else array_maps(view.rows.mirrors, view.rows.connections, view.places_mm),
        groups=_groups(view.figures),
        parts=[
            {"name": name, "mean": float(v.mean()), "max": float(v.max()),
             "width": round(100 * float(v.mean()) / most, 1)}
            for name, v in parts.items() if v.size
        ],
        parts_count=len(next(iter(parts.values()), ())),
    )  # fmt: skip


def _limit_row(view: ReportView, row: Mapping[str, Any]) -> dict[str, Any]:
    figure = LIMITED[row["name"]]
    who = view.rows.culprits.get(figure.path)
    share = used_share(row)
    sign = "≤" if figure.worse == "higher" else "≥"
    dark = is_dark(figure, row["value"])
    return {
        **row,
        "words": figure.heading,
        "who": "" if who is None else _arrows(who.words),
        "value_text": "dark" if dark else number_beside(row["value"], row["limit"], figure.unit),
        "limit_text": f"{sign} {row['limit']:g} {unit_sign(figure.unit)}".rstrip(),
        "width": round(min(share * AT_LIMIT_PCT, 100.0), 2),
    }


def _strip(view: ReportView) -> list[tuple[str, str]]:
    traces = view.traces
    profile = ", ".join(short_name(c) for c in view.conditions)
    return [
        ("switch", f"{counted(view.ports, 'input')}, {counted(len(traces.mirrors), 'mirror')}, "
                   f"{counted(len(traces.inputs), 'connection')}"),
        ("profile", profile),
        ("duration", f"{float(traces.time_s[-1]):g} s"),
    ]  # fmt: skip


def _sections(view: ReportView, deciding: str) -> list[Section]:
    """The pictures, that of the deciding limit first."""
    hold = HoldInterval(view.figures["hold"]["from_ms"], view.figures["hold"]["to_ms"])
    pointing, loss = _pointing(view, hold), _loss(view, hold, deciding)
    first = [loss, pointing] if deciding.startswith(("coupling", "time_to")) else [pointing, loss]
    watched = [Section("Health watch", texts=view.watch)] if view.watch else []
    found = [*_after_command(view), *first, *watched]
    shaken = surroundings_plots.acceleration_pictures(
        view.traces, view.shock_spectrum, view.conditions, view.resonances_hz or {},
        event_spans(view.figures),
    )  # fmt: skip
    if shaken:
        found.append(Section("Motion of the core", pictures=shaken))
    found += view.played
    warm = temperature_picture(view.traces, view.epochs, hold, event_spans(view.figures))
    if warm is not None:
        found.append(Section("Temperature", pictures=[warm]))
    if view.images is not None:
        worst = [row["name"].split()[0] for row in view.figures["worst_mirrors"]]
        spots = surroundings_plots.spot_pictures(
            view.images, view.traces, view.ports, worst, view.marks
        )
        if spots is not None:
            found.append(Section("What the camera saw", pictures=[spots]))
    return found


def _after_command(view: ReportView) -> list[Section]:
    """What follows the last command, if the time that it takes is limited."""
    wanted = {row["name"]: row["limit"] for row in view.limits}
    commanded = [e.start_s for e in view.epochs if e.commanded]
    if not commanded:
        return []
    traces, events, pictures = view.traces, event_spans(view.figures), []
    if "settling_max_ms" in wanted:
        names = [mirror_name(int(m), view.ports) for m in traces.mirrors]
        who = _culprit(view, ("settling.max_ms", "settling.unsettled"))
        tolerance = view.figures["settling"]["tolerance_urad"]
        pictures.append(
            after_command_picture(
                PeakCurves(traces.error_peak_rad.astype(float) * 1e6, names, who),
                Line(tolerance, f"settling tolerance {tolerance:g} µrad", GREEN, "--"),
                traces, commanded[-1], wanted["settling_max_ms"],
                label="radial pointing error [µrad]", what="mirror", events=events,
            )
        )  # fmt: skip
    if "time_to_light_max_ms" in wanted and traces.inputs.size:
        names = list(view.rows.connections.get("name", ()))
        level = view.outage_excess_db
        pictures.append(
            after_command_picture(
                PeakCurves(np.minimum(traces.excess_peak_db.astype(float), DARK_DB), names,
                       _culprit(view, ("time_to_light.max_ms",))),
                Line(level, f"outage {level:g} dB", "#59646f", ":"),
                traces, commanded[-1], wanted["time_to_light_max_ms"],
                label="misalignment loss [dB]", what="connection", events=events,
            )
        )  # fmt: skip
    drawn = [picture for picture in pictures if picture is not None]
    return [Section("After the last command", pictures=drawn)] if drawn else []


def _culprit(view: ReportView, paths: Sequence[str]) -> str | None:
    return next((view.rows.culprits[p].name for p in paths if p in view.rows.culprits), None)


def _pointing(view: ReportView, hold: HoldInterval) -> Section:
    wanted = {row["name"]: row["limit"] for row in view.limits}
    tolerance = view.figures["settling"]["tolerance_urad"]
    lines = [Line(tolerance, f"settling tolerance {tolerance:g} µrad", GREEN, "--")]
    if "max_urad" in wanted:
        lines.append(Line(wanted["max_urad"], f"limit {wanted['max_urad']:g} µrad"))
    names = [mirror_name(int(m), view.ports) for m in view.traces.mirrors]
    who = _culprit(view, ("pointing.max_urad",))
    pictures = [error_picture(
        view.traces, view.epochs, hold, names, lines, who, event_spans(view.figures)
    )]
    shift = sensor_picture(view.traces, view.epochs, hold, event_spans(view.figures))
    return Section("Pointing error over time", pictures=[*pictures, *([shift] if shift else [])])


def _loss(view: ReportView, hold: HoldInterval, deciding: str) -> Section:
    if not view.traces.inputs.size:
        return Section("Coupling loss", texts=["No connection of the run carries light."])
    wanted = {row["name"]: row["limit"] for row in view.limits}
    lines = [Line(view.outage_excess_db, f"outage {view.outage_excess_db:g} dB", "#59646f", ":")]
    if "excess_max_db" in wanted:
        lines.append(Line(wanted["excess_max_db"], f"limit {wanted['excess_max_db']:g} dB"))
    names = list(view.rows.connections.get("name", ())) or [
        f"in {i} -> out {o}"
        for i, o in zip(view.traces.inputs, view.epochs[-1].outputs, strict=True)
    ]
    own = (deciding,) if deciding.startswith("coupling") else ()
    who = _culprit(view, (*own, "coupling.excess_max_db"))
    spread = [
        (words, wanted[name])
        for name, words in (("coupling_max_db", "limit on the largest"),
                            ("coupling_p99_db", "limit on p99"))
        if name in wanted
    ]  # fmt: skip
    over_time = loss_picture(
        view.traces, view.epochs, hold, names, lines, who, event_spans(view.figures)
    )
    histogram = loss_histogram(view.traces, view.epochs, hold, spread)
    return Section("Coupling loss", pictures=[over_time, *([histogram] if histogram else [])])


def _groups(figures: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Tables of all figures that exist, group by group."""
    tables: dict[str, list[tuple[str, str]]] = {}
    for figure in FIGURES:
        group = figure.path.split(".")[0]
        value = figure.of(figures)
        if group in SWITCHING and not figures["settling"]["count"]:
            continue
        if value is None and group in MAY_LACK:
            continue
        text = number(value, figure.unit)
        if value is None and group in SWITCHING:
            best = figures[group]["max_of_those_ms"]
            text = "never" if best is None else f"never; of those that did, {number(best, 'ms')}"
        if is_dark(figure, value):
            text = f"dark (above {DARK_DB:g} dB)"
        words = figure.heading
        if figure.path in ("pointing.p99_urad", "coupling.p99_db"):
            words = f"{words}: p99 of {counted(figures[group]['p99_count'], 'sample')}"
        tables.setdefault(GROUPS[group], []).append((words, text))
    if figures["sway"]["over_clearance"]:
        axes = " and ".join(figures["sway"]["over_clearance"])
        tables[GROUPS["sway"]].append(("Core strikes its stops", f"along {axes}"))
    return [{"caption": caption, "rows": rows} for caption, rows in tables.items()]


def _lost(view: ReportView) -> str:
    lost = view.figures["lost"]
    if view.without_images:
        return (
            'No spot can be lost: camera.noise = "equivalent" draws the error of each reading and '
            "makes no images."
        )
    if not lost["frames"]:
        return "No spot was lost."
    each = lost["frames"] / (0.01 * lost["share_pct"]) / len(view.traces.mirrors)
    causes = "; ".join(
        f"{LOST_WORDS[cause]}: {count} ({100 * count / lost['frames']:.3g} % of them)"
        for cause, count in lost["frames_by_cause"].items()
        if count
    )
    return (
        f"Lost spots: {counted(lost['frames'], 'frame')}, {lost['share_pct']:.3g} % of all, on "
        f"{counted(lost['mirrors'], 'mirror')}; most on {lost['worst_mirror']}, "
        f"{lost['worst_mirror_frames']} of its {counted(round(each), 'frame')}. By cause: {causes}."
    )


def _wrong_spots(view: ReportView) -> str:
    """Say how often a neighbour's spot was in a window, and what became of it; empty: not known."""
    found = view.figures["wrong_spots"]
    if found["shared"] is None:
        return ""
    if not found["shared"]:
        return " No window had a neighbour's spot in it."
    return (
        f" A neighbour's spot was in a window in {counted(found['shared'], 'frame')} of all "
        "mirrors. Wrong "
        f"readings that passed as good: {found['passed']}, on "
        f"{counted(found['mirrors'], 'mirror')}; caught: "
        f"{found['caught']}; false alarms: {found['false_alarms']}."
    )


def _arrows(text: str) -> str:
    """Return a sentence with arrows that no line end can break."""
    return text.replace(" -> out ", "\N{NO-BREAK SPACE}→ out ")
