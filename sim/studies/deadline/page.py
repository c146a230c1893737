"""The page of a deadline, and its folder."""

import datetime
from pathlib import Path
from typing import Any, Final

import matplotlib
import numpy as np
from matplotlib.figure import Figure

from sim.foundations.files.text import counted
from sim.report.drawing import BLUE, GREEN, STYLE, VERMILION, Picture, finish
from sim.report.study_page import Section, StudyPage, Table
from sim.scenario.model import Scenario
from sim.scenario.portable import portable_toml
from sim.studies.deadline.budget import FrameBudget
from sim.studies.deadline.kinds import clock_mhz
from sim.studies.deadline.kinds_page import STAGE_WORDS, compared_figures, compared_section
from sim.studies.deadline.study import Deadline, Residual
from sim.studies.run.provenance import NOTHING_ASKED, Request, switch_words
from sim.studies.run.study_folder import write_study

KIND: Final = "deadline"
ASSUMPTIONS: Final = (
    "Time is counted work over the processor's stated speed: no interrupts, no caches, no other "
    "tasks. Leave a share of it free, and measure cycles on the board.",
    "Cycles by class are after the table of instructions of the Cortex-M4's manual (from memory): "
    "loads and stores 1 to 2, several registers one each and one, divisions 2 to 12, branches to "
    "4, an IT 0 to 1, all else 1. Code or data in memory that waits takes more.",
    "All stages are to be done between exposure and drive. Where pixels are summed as rows arrive, "
    "that stage runs during read-out and the rest alone is to be held against the deadline.",
    "The worst frame has every spot at the largest count that was seen. That is not a proof: "
    "another frame may take longer where a loop's length depends on pixels.",
    "Frames are missed at random, each camera's by itself. Misses that come in bursts cost more "
    "at the same share: state them as events with burst_frames.",
    "The difference equation has mirrors, drive steps, drift and forces, but no images: readings "
    "are tilt plus white noise of the scatter that still spots have. Left out: cross-axis "
    "coupling, slew limit, stops, moves, and events of the scenario itself.",
)


def verdict_of(found: Deadline) -> tuple[str, bool]:
    """Return what it comes to, and whether that is good."""
    budget = found.budget
    if budget.worst_us is None:
        text = "No processor with a speed for what was counted is stated, so no deadline is held"
        own = next((row for row in found.compared.rows if row.own), None)
        if own is not None and budget.spare_us > 0:
            needed = clock_mhz(
                own.counted.stage("frame").most, budget.spots, budget.spare_us,
                found.compared.cycles_per_instruction,
            )
            text += (
                f"; by instructions in whole numbers {counted(budget.spots, 'spot')} in "
                f"{budget.spare_us:.0f} us ask for {needed:.0f} MHz"
            )
    else:
        used = 100.0 * budget.worst_us / budget.spare_us if budget.spare_us > 0 else float("inf")
        word = "late" if budget.late else "in time"
        text = (
            f"The worst frame is {word}: {budget.worst_us:.0f} us of work for "
            f"{counted(budget.spots, 'spot')} by {budget.unit} (not a measurement), "
            f"{budget.spare_us:.0f} us until the deadline ({used:.0f} %)"
        )
        text += _culprit(budget)
        if budget.late and budget.spots_in_time is not None:
            text += f"; {counted(budget.spots_in_time, 'spot')} would be in time"
    if budget.overloaded:
        text += (
            f". With all ticks of the drive a frame's work takes {budget.busy_us:.0f} us, more "
            f"than the {budget.frame_us:.0f} us of a frame"
        )
    if budget.full:
        assert budget.memory_bytes is not None
        text += (
            f". Memory does not suffice: {budget.memory_bytes / 1000:.3g} of "
            f"{budget.memory_kb:g} kB"
        )
    none = found.rows[0]
    costs = "; ".join(
        f"{row.share_pct:g} % dropped: {row.dropped.mean_urad:.1f} urad by the loop, "
        f"{row.equation.mean_urad:.1f} by the equation"
        for row in found.rows[1:]
    )
    text += f". Pointing error {none.dropped.mean_urad:.1f} urad rms without misses; {costs}."
    apart = [row for row in found.rows if not row.agrees]
    if apart:
        text += " Loop and equation disagree: trust neither before you know why."
    good = not (budget.late or budget.overloaded or budget.full or apart)
    return text, good


def _culprit(budget: FrameBudget) -> str:
    """Name the stage that takes most of the worst frame of a spot."""
    *parts, whole = budget.stages or [None]
    if not parts or whole is None or whole.worst <= 0:
        return ""
    most = max(parts, key=lambda stage: stage.worst)
    name = STAGE_WORDS.get(most.stage, most.stage).lower()
    return f", most of it for: {name} ({100 * most.worst / whole.worst:.0f} % of the {budget.unit})"


def page_of(scenario: Scenario, found: Deadline) -> StudyPage:
    """Return the page."""
    verdict, good = verdict_of(found)
    notes = list(ASSUMPTIONS)
    if found.moves_in_hold:
        notes.insert(
            0, f"Commands in the hold interval: {found.moves_in_hold}. Their transients are in "
            "the loop's figures and not in the equation's."
        )
    if found.other_events:
        notes.insert(
            0, f"Events of the scenario in the loop: {found.other_events}. None is in the equation."
        )
    return StudyPage(
        title=f"Deadline: {scenario.title}", question=scenario.question.strip(), verdict=verdict,
        good=good,
        sections=[
            Section("Frame budget", _texts(found.budget, scenario), [_stages(found.budget)]),
            compared_section(found.compared, found.budget, scenario.processor),
            Section(
                "What missed frames cost",
                [f"{counted(found.seeds, 'run')} of each over noise seeds, rms over the hold "
                 "interval, all mirrors; ± is Student's interval of 95 %. The same seeds serve "
                 "every row, so differences between rows are better known than intervals say.",
                 *_less(found)],
                [_costs(found)], [_picture(found)],
            ),
            *jitter_sections(found),
        ],
        notes=notes, scenario_toml=portable_toml(scenario),
        strip=[("switch", switch_words(scenario)), ("counted", found.budget.counted)],
    )  # fmt: skip


def _apart(pct: float | None) -> str:
    return "none" if pct is None else f"{pct:+.1f}"


def jitter_sections(found: Deadline) -> list[Section]:
    """Return what latency costs that is not the same for every frame."""
    if not found.jitter:
        return []
    head = ["Longest extra latency [µs]", "Pointing error, the loop [µrad]",
            "Against none [%]"]  # fmt: skip
    none = found.rows[0].dropped
    rows = [["0", f"{none.mean_urad:.2f} ± {none.half_urad:.2f}", "–"]]
    rows += [
        [f"{row.jitter_us:g}", f"{row.pointing.mean_urad:.2f} ± {row.pointing.half_urad:.2f}",
         _apart(row.apart_pct)]
        for row in found.jitter
    ]  # fmt: skip
    return [
        Section(
            "What jitter of the latency costs",
            ["Read-out and computing take longer by a time that is drawn for each frame and "
             "camera, evenly from none to the longest, and rounded up to updates of the drive. The "
             "law does not know of it. Seeds are those of the rows above."],
            [Table("Rms pointing error", head, rows)],
        )
    ]  # fmt: skip


def _less(found: Deadline) -> list[str]:
    """Say why fewer frames may point better, where they do."""
    first, last = found.rows[0], found.rows[-1]
    if last.dropped.mean_urad >= first.dropped.mean_urad:
        return []
    return [
        "Errors are smaller with frames missed: a held correction acts as a lower gain, and here "
        "the noise of readings that the loop follows outweighs the drift that it removes."
    ]


def _texts(budget: FrameBudget, scenario: Scenario) -> list[str]:
    texts = [f"Counted: {budget.counted}. Memory: {budget.memory_words}."]
    if budget.why_not_here is not None:
        texts.append(f"Not counted on the emulator: {budget.why_not_here}.")
    if budget.mean_us is not None and budget.worst_us is not None:
        texts.append(
            f"A frame of {counted(budget.spots, 'spot')}: {budget.mean_us:.0f} us on the mean, "
            f"{budget.worst_us:.0f} us at worst, of {budget.spare_us:.0f} us."
        )
    if (cycles := budget.cycles) is not None:
        worst, processor = budget.stages[-1].worst, scenario.processor
        text = (
            f"By the class of each instruction the worst frame of a spot takes {cycles[0]} to "
            f"{cycles[1]} cycles, {cycles[0] / worst:.2f} to {cycles[1] / worst:.2f} an "
            "instruction, from memory that never waits"
        )
        if processor is not None and processor.clock_mhz is not None:
            first, last = (n * budget.spots / processor.clock_mhz for n in cycles)
            text += (
                f": {first:.0f} to {last:.0f} us for {counted(budget.spots, 'spot')}. The verdict "
                f"takes {processor.cycles_per_instruction:g} (cycles_per_instruction)"
            )
        texts.append(text + ".")
    if budget.busy_us is not None:
        texts.append(
            f"The deadline holds one tick of the drive. With all ticks of a frame the processor is "
            f"busy for {budget.busy_us:.0f} of {budget.frame_us:.0f} us "
            f"({100 * budget.busy_us / budget.frame_us:.0f} %)."
        )
    if budget.memory_bytes is not None and budget.memory_kb is not None:
        texts.append(f"Memory: {budget.memory_bytes / 1000:.3g} of {budget.memory_kb:g} kB.")
    geometry = scenario.switch.geometry
    fleet = geometry.ports_per_side + (geometry.outputs or geometry.ports_per_side)
    if budget.spots < fleet:
        texts.append(
            f"{-(-fleet // budget.spots)} such processors serve the {counted(fleet, 'mirror')} of "
            "the switch."
        )
    return texts


def _stages(budget: FrameBudget) -> Table:
    head = ["Stage, for one spot", f"{budget.unit}, mean", f"{budget.unit}, worst seen"]
    rows = [
        [STAGE_WORDS.get(s.stage, s.stage), f"{s.mean:.0f}", f"{s.worst:.0f}"]
        for s in budget.stages
    ]
    if budget.cycles is not None:
        head.append("cycles by class, fewest to most")
        for row, stage in zip(rows, budget.stages, strict=True):
            row.append(f"{stage.least_cycles} to {stage.most_cycles}")
    return Table(f"{budget.counted[0].upper()}{budget.counted[1:]}", head, rows)


def _costs(found: Deadline) -> Table:
    def text(value: Residual | None) -> str:
        return "–" if value is None else f"{value.mean_urad:.2f} ± {value.half_urad:.2f}"

    head = ["Missed frames [%]", "Dropped, the loop [µrad]", "Dropped, equation [µrad]",
            "Loop against equation [%]", "One frame late and used, the loop [µrad]"]  # fmt: skip
    rows = [
        [f"{row.share_pct:g}", text(row.dropped), text(row.equation),
         _apart(row.apart_pct), text(row.late)]
        for row in found.rows
    ]  # fmt: skip
    return Table("Rms pointing error", head, rows)


def _picture(found: Deadline) -> Picture:
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 3.0), layout="constrained")
        axes = figure.subplots()
        at = np.arange(len(found.rows))
        sets: tuple[tuple[str, str, str, list[Residual | None]], ...] = (
            ("dropped, the loop", BLUE, "o", [r.dropped for r in found.rows]),
            ("dropped, difference equation", VERMILION, "s", [r.equation for r in found.rows]),
            ("one frame late, the loop", GREEN, "D", [r.late for r in found.rows]),
        )
        for k, (label, colour, mark, values) in enumerate(sets):
            there = [(int(i), v) for i, v in zip(at, values, strict=True) if v is not None]
            axes.errorbar(
                [i + 0.12 * (k - 1) for i, _ in there], [v.mean_urad for _, v in there],
                yerr=[v.half_urad for _, v in there], fmt=mark, color=colour, ms=5, capsize=3,
                label=label,
            )  # fmt: skip
        axes.set_xticks(at, [f"{r.share_pct:g}" for r in found.rows])
        axes.set_xlabel("missed frames [%]")
        axes.set_ylabel("pointing error, rms [µrad]")
        figure.legend(loc="outside upper left", ncols=3)
        address = finish(figure)
    return Picture(
        address, "Pointing error against the share of missed frames.",
        "Bars: Student's interval of 95 % over seeds. The axis does not start at zero.",
    )  # fmt: skip


def results_of(found: Deadline) -> dict[str, Any]:
    """Return everything as plain data."""
    budget = found.budget
    return {
        "verdict": verdict_of(found)[0],
        "budget": budget._asdict() | {
            "stages": [s._asdict() for s in budget.stages], "late": budget.late,
            "overloaded": budget.overloaded, "spots_in_time": budget.spots_in_time,
        },
        "estimators": compared_figures(found.compared),
        "reading_scatter_urad": list(found.scatter_urad),
        "seeds": found.seeds,
        "jitter": [row._asdict() | {"pointing": row.pointing._asdict()} for row in found.jitter],
        "missed": [
            {
                "share_pct": row.share_pct, "lost_pct": row.lost_pct,
                "dropped": row.dropped._asdict(), "equation": row.equation._asdict(),
                "late": None if row.late is None else row.late._asdict(),
                "apart_pct": row.apart_pct, "agrees": row.agrees,
            }
            for row in found.rows
        ],
    }  # fmt: skip


def write(
    scenario: Scenario, found: Deadline, folder: str | Path, started: datetime.datetime, *,
    overwrite: bool, asked: Request = NOTHING_ASKED,
) -> Path:  # fmt: skip
    """Write deadline.json, scenario.toml and report.html; return the folder.

    Raises
    ------
    OutputError
        If the folder exists and may not be replaced, or cannot be written.
    """
    return write_study(
        KIND, scenario, page_of(scenario, found), results_of(found), folder, started,
        overwrite=overwrite, asked=asked,
    )  # fmt: skip
