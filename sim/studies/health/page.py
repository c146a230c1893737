"""The page of the study of a watch, and its folder."""

import datetime
from pathlib import Path
from typing import Any, Final

import matplotlib
import numpy as np
from matplotlib.figure import Figure

from sim.foundations.files.text import counted
from sim.foundations.ports import FAULT_WORDS, Array, FaultKind
from sim.report.drawing import INK, STYLE, Picture, finish
from sim.report.spectrum_plot import COLOURS, DASHES
from sim.report.study_page import Section, StudyPage, Table
from sim.scenario.model import Scenario
from sim.scenario.portable import portable_toml
from sim.studies.health.study import LEVELS, HealthStudy
from sim.studies.replay.page import cell
from sim.studies.run.provenance import NOTHING_ASKED, Request, switch_words
from sim.studies.run.study_folder import write_study

KIND: Final = "health"
UNITS: Final = {"urad_per_s": "µrad/s", "urad": "µrad", "hz": "Hz", "ms": "ms", "pct": "%"}
"""Endings of keys -> units."""
MOST_MISSED: Final = 20
"""Faults that were not found, in the table; health.json has them all."""
ASSUMPTIONS: Final = (
    "Delay counts from the frame in which the fault begins to the frame whose reading raises the "
    "alarm, that frame included; the firmware's own time to act comes on top. The kind is named "
    "later, once enough frames have followed the alarm.",
    "False alarms per mirror and 1000 h are extrapolated from hours of healthy mirrors by an "
    "exponential tail: events that the scenario does not have are not in it. The interval is that "
    "of the tail's slope alone.",
    "Several mirrors are faulty at once in a trial, never more than half of them; what all mirrors "
    "have in common is taken for motion of the camera, not for a fault.",
    "The watch learns each mirror at the start of a run, in which all are healthy.",
)


def write(
    scenario: Scenario, found: HealthStudy, folder: str | Path, started: datetime.datetime, *,
    overwrite: bool, asked: Request = NOTHING_ASKED,
) -> Path:  # fmt: skip
    """Write health.json, scenario.toml and report.html; return the folder.

    Raises
    ------
    OutputError
        If the folder exists and may not be replaced, or cannot be written.
    """
    return write_study(
        KIND, scenario, page_of(scenario, found), results_of(found), folder, started,
        overwrite=overwrite, asked=asked,
    )  # fmt: skip


def results_of(found: HealthStudy) -> dict[str, Any]:
    """Return what `health.json` holds, but for provenance."""
    return {
        "verdict": found.verdict,
        "kinds": [kind.row for kind in found.kinds],
        "false_alarms": {
            "counted_on_healthy_mirrors": found.healthy_alarms,
            "counted_while_others_were_faulty": found.others,
            "extrapolated": None if found.tail is None else found.tail.filed(),
            "asked_per_mirror_1000h": found.asked,
            "kept": found.kept,
        },
        "delays": (
            "from the fault's first frame to that of the alarm; median and 95th percentile over "
            f"{counted(found.mirrors, 'mirror')} in each of {counted(found.seeds, 'run')} with "
            "seeds of their own; null "
            "where too few were found"
        ),
        "operating_curve": {
            "threshold": LEVELS.tolist(),
            "false_alarms_per_mirror_1000h": None
            if found.tail is None else found.tail.at(LEVELS).tolist(),
            "delay_median_ms": {
                f"{number}: {kind.row['kind']}": [
                    None if np.isnan(each) else float(each) for each in kind.curve_ms
                ]
                for number, kind in enumerate(found.kinds)
            },
        },
    }  # fmt: skip


def page_of(scenario: Scenario, found: HealthStudy) -> StudyPage:
    """Return the page."""
    return StudyPage(
        title=f"Health watch: {scenario.title}", question=scenario.question.strip(),
        verdict=found.verdict, good=found.good,
        sections=[
            Section("What was found", [_tail_words(found)], [_table(found), *_missed(found)],
                    [_picture(found)]),
            Section("How long it took", pictures=[_delays(found)]),
        ],
        notes=ASSUMPTIONS, scenario_toml=portable_toml(scenario),
        strip=[("switch", switch_words(scenario)),
               ("runs", f"{found.seeds} a fault, {counted(found.mirrors, 'mirror')} in each")],
    )  # fmt: skip


def _tail_words(found: HealthStudy) -> str:
    if found.tail is None:
        return "Too few healthy mirrors were watched to extrapolate a rate of false alarms."
    t = found.tail
    return (
        f"Healthy mirrors were watched for {t.watched_mirror_h:.3g} mirror hours, with "
        f"{counted(found.healthy_alarms, 'false alarm')}; on mirrors beside faulty ones there were "
        f"{found.others}. Evidence above {t.above:.2f} of the threshold was met "
        f"{counted(t.exceeding, 'time')} and thins out by a factor of "
        f"{np.exp(0.1 * t.per_unit):.3g} for each tenth of the "
        f"threshold (spread of the excesses {t.spread:.2f}, 1 for an exponential). Beyond that the "
        f"rate is not counted but {found.rate_words}."
    )


def _table(found: HealthStudy) -> Table:
    head = ["Fault", "Setting", "Found", "Delay, median [ms]", "95 % within [ms]",
            "Kind named after [ms]", "Named rightly", "Named as"]  # fmt: skip
    rows = []
    for kind in found.kinds:
        r = kind.row
        settings = ", ".join(_setting(*each) for each in r["settings"].items()) or "none"
        rows.append([
            r["words"], settings, f"{r['found']} of {r['mirrors']}",
            cell(r["delay_median_ms"], 3), cell(r["delay_p95_ms"], 3),
            cell(r["told_median_ms"], 3), f"{100 * r['named_rightly']:.0f} %",
            ", ".join(f"{name} {count}" for name, count in r["named"].items()),
        ])  # fmt: skip
    return Table("Faults put on mirrors that run in closed loop", head, rows)


def _missed(found: HealthStudy) -> list[Table]:
    """Return the table of faults that were not found, if there are any."""
    head = ["Mirror", "Fault", "Run", "Stands at [mrad]", "Readings scatter by [µrad]",
            "The fault moves it by [µrad]", "Why"]  # fmt: skip
    rows = [
        [
            r["mirror"], FAULT_WORDS[FaultKind[r["kind"].upper()]], str(r["run"] + 1),
            cell(r["tilt_mrad"], 3), cell(r["reading_scatter_urad"], 2), cell(r["off_urad"], 2),
            "so little passes for noise, and the loop takes it back: it cannot be seen unless the "
            "mirror moves" if r["at_rest"] else "not known",
        ]
        for r in found.missed[:MOST_MISSED]
    ]  # fmt: skip
    more = len(found.missed) - len(rows)
    title = "Faults that were not found before their runs ended"
    return [Table(f"{title}; {more} more" if more else title, head, rows)] if rows else []


def _picture(found: HealthStudy) -> Picture:
    """Delay against false alarms, for thresholds from low to high."""
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 3.8), layout="constrained")
        axes = figure.subplots()
        rate = LEVELS if found.tail is None else found.tail.at(LEVELS)
        now = int(np.abs(LEVELS - 1.0).argmin())
        for k, kind in enumerate(found.kinds):
            colour, dash = COLOURS[k % len(COLOURS)], DASHES[k % len(DASHES)]
            axes.plot(rate, kind.curve_ms, label=_label(kind.row), color=colour, ls=dash, lw=1.5)
            axes.plot(rate[now], kind.curve_ms[now], "o", color=colour, ms=5)
        axes.set_yscale("log")
        axes.set_ylabel("delay, median [ms]")
        if found.tail is None:
            axes.set_xlabel("threshold, over that of the watch")
        else:
            axes.set_xscale("log")
            seen = 1000.0 / max(found.tail.watched_mirror_h, 1e-12)
            low, high = axes.get_xlim()
            if seen < high:
                axes.axvspan(seen, high, color=INK, alpha=0.08, lw=0)
            axes.set_xlim(low, high)
            if found.asked is not None:
                axes.axvline(found.asked, color=INK, lw=1.3, ls="-.",
                             label=f"asked for: {found.asked:g}")  # fmt: skip
            axes.set_xlabel("false alarms per mirror and 1000 h")
        figure.legend(loc="outside lower center", ncols=3)
        address = finish(figure)
    return Picture(
        address, "Median delay against the rate of false alarms, for each fault.",
        "One curve for each fault: the threshold rises from right to left. Dots: the watch as it "
        "is set; right of the line there would be more false alarms than were asked for. "
        "Shaded: rates that were met while healthy mirrors were watched; all others are "
        "extrapolated.",
    )  # fmt: skip


def _delays(found: HealthStudy) -> Picture:
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 3.2), layout="constrained")
        axes = figure.subplots()
        for k, kind in enumerate(found.kinds):
            ordered = np.sort(kind.delays_ms)
            share = 100.0 * np.arange(1, len(ordered) + 1) / len(ordered)
            met = np.isfinite(ordered)
            axes.step(
                np.concatenate([ordered[met][:1], ordered[met]]),
                np.concatenate([[0.0], share[met]]), where="post", label=_label(kind.row),
                color=COLOURS[k % len(COLOURS)], ls=DASHES[k % len(DASHES)], lw=1.5,
            )  # fmt: skip
        axes.axhline(95.0, color=INK, lw=0.8, ls=":")
        axes.set_xscale("log")
        first = [float(np.nanmin(k.delays_ms)) for k in found.kinds if _some(k.delays_ms)]
        if first:  # a curve that rises at once does not lie on the axis
            axes.set_xlim(left=0.5 * min(first))
        axes.set_xlabel("time since the fault began [ms]")
        axes.set_ylabel("faults found [%]")
        axes.set_ylim(0, 102)
        figure.legend(loc="outside lower center", ncols=3)
        address = finish(figure)
    return Picture(address, "Share of the faults found over time.",
                   "Dotted: 95 %. A curve that ends below 100 % has faults that were never "
                   "found.")  # fmt: skip


def _some(delays_ms: Array) -> bool:
    return bool(np.isfinite(delays_ms).any())


def _label(row: dict[str, Any]) -> str:
    settings = ", ".join(_setting(*each) for each in row["settings"].items())
    return f"{row['words']} ({settings})" if settings else str(row["words"])


def _setting(key: str, value: Any) -> str:
    """Return a setting as it is read: its words, value and unit."""
    ending = next((each for each in UNITS if key.endswith(f"_{each}")), None)
    shown = f"{value:g}" if isinstance(value, float) else str(value)
    if ending is None:
        return f"{key.replace('_', ' ')} {shown}"
    return f"{key.removesuffix(f'_{ending}').replace('_', ' ')} {shown} {UNITS[ending]}"
