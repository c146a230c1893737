"""The part of a deadline's page that compares estimators on the same processor."""

from typing import Any, Final

import matplotlib
from matplotlib.figure import Figure

from sim.camera.processor import ProcessorParams
from sim.foundations.files.text import counted
from sim.report.drawing import BLUE, INK, STYLE, VERMILION, Picture, finish
from sim.report.study_page import Section, Table
from sim.studies.deadline.budget import FrameBudget, memory_budget
from sim.studies.deadline.kinds import EstimatorsCompared, KindCost, clock_mhz

STAGE_WORDS: Final = {
    "pixels": "Rows of the window", "reading": "Last row to position", "law": "Law",
    "drive": "Codes of a tick", "frame": "All",
}  # fmt: skip


def compared_section(
    found: EstimatorsCompared, budget: FrameBudget, processor: ProcessorParams | None
) -> Section:
    """Return tables and picture of all estimators with C source."""
    per = found.cycles_per_instruction
    clock = None if processor is None else processor.clock_mhz
    fit = None
    if clock is not None and budget.spare_us > 0:
        fit = clock / per * budget.spare_us / budget.spots
    texts = [
        "Instructions on an emulated Cortex-M4, not cycles, for one spot and frame; the largest "
        f"number seen. Time is instructions times {counted(per, 'cycle')}, an assumption to be "
        "replaced by "
        "a measurement on the board. Other estimators than the scenario's own have settings worked "
        "out from its camera; what is in floating point is counted in whole numbers of the usual "
        "words.",
    ]  # fmt: skip
    stored = [row for row in found.rows if row.where == "stored"]
    if stored:
        why = "; ".join(dict.fromkeys(str(row.why_stored) for row in stored))
        texts.append(f"Stored counts are of {found.stored_words}. Why they stand in: {why}.")
    return Section(
        "Estimators on the same processor", texts,
        [_instructions(found), _times(found, budget, per, clock)], [_picture(found, budget, fit)],
    )  # fmt: skip


def _name(row: KindCost) -> str:
    return f"{row.kind} (the scenario's)" if row.own else row.kind


def _instructions(found: EstimatorsCompared) -> Table:
    stages = ("pixels", "reading", "law", "drive")
    head = ["Estimator", *(STAGE_WORDS[name] for name in stages), "All, mean", "All, worst seen",
            "Counted"]  # fmt: skip
    rows = []
    for row in found.rows:
        most = [row.counted.stage(n).most for n in stages]
        frame = row.counted.stage("frame")
        rows.append(
            [_name(row), *(f"{n}" for n in most), f"{frame.mean:.0f}", f"{frame.most}", row.where]
        )
    return Table("Instructions of each stage", head, rows)


def _times(
    found: EstimatorsCompared, budget: FrameBudget, per: float, clock: float | None
) -> Table:
    timed = [f"{counted(budget.spots, 'spot')}, all stages [µs]", "Of them after the last row [µs]",
             "Spots in time"]  # fmt: skip
    head = ["Estimator", *(timed if clock is not None else ()),
            f"Clock for {counted(budget.spots, 'spot')} [MHz]", "Memory [kB]",
            "Code, tables [kB]"]  # fmt: skip
    rows = []
    for row in found.rows:
        count = row.counted.stage("frame").most
        needed = clock_mhz(count, budget.spots, budget.spare_us, per)
        times: list[str] = []
        if clock is not None:
            one_us = count * per / clock
            times = [f"{budget.spots * one_us:.0f}",
                     f"{budget.spots * row.after_last_row * per / clock:.0f}",
                     f"{max(int(budget.spare_us / one_us), 0)}"]  # fmt: skip
        rows.append(
            [_name(row), *times, f"{needed:.0f}",
             f"{memory_budget(row.counted, budget.spots) / 1000:.2f}",
             f"{row.counted.code_bytes / 1000:.2f}"]
        )  # fmt: skip
    clocked = "no clock is stated" if clock is None else f"{clock:g} MHz"
    return Table(f"Time and memory: {clocked}, {budget.spare_us:.0f} µs until the deadline",
                 head, rows)  # fmt: skip


def _picture(found: EstimatorsCompared, budget: FrameBudget, fit: float | None) -> Picture:
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 1.2 + 0.3 * len(found.rows)), layout="constrained")
        axes = figure.subplots()
        for i, row in enumerate(found.rows):
            count = row.counted.stage("frame").most
            colour = VERMILION if fit is not None and count > fit else BLUE
            axes.plot([row.after_last_row, count], [i, i], color=colour, lw=1.0)
            axes.plot(count, i, "o", color=colour, ms=6)
            axes.plot(row.after_last_row, i, "o", color=colour, ms=6, mfc="white")
        if fit is not None:
            axes.axvline(fit, color=INK, lw=1.2, ls="--")
            axes.text(fit, -0.75, f" {budget.spare_us:.0f} µs for {counted(budget.spots, 'spot')}",
                      fontsize=8, color=INK, va="center")  # fmt: skip
        axes.set_xscale("log")
        axes.set_yticks(range(len(found.rows)), [_name(row) for row in found.rows])
        axes.set_ylim(len(found.rows) - 0.5, -1.1)
        axes.set_xlabel("instructions for one spot and frame, largest seen")
        address = finish(figure)
    dashed = "" if fit is None else " Dashed: what the deadline leaves to each spot."
    return Picture(
        address, "Instructions of each estimator against the deadline.",
        "Filled: all stages; hollow: from the last row to the codes of a tick, where sums are made "
        f"as rows arrive.{dashed} Logarithmic axis.",
    )  # fmt: skip


def compared_figures(found: EstimatorsCompared) -> dict[str, Any]:
    """Return the comparison as plain data."""
    return {
        "stored_are_of": found.stored_words,
        "kinds": [
            {
                "kind": row.kind, "own": row.own, "counted": row.where,
                "why_stored": row.why_stored, "after_last_row": row.after_last_row,
                **(row.counted._asdict() | {"stages": [s._asdict() for s in row.counted.stages]}),
            }
            for row in found.rows
        ],
    }  # fmt: skip
