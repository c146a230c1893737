"""The page that compares isolators, and its folder."""

import datetime
from collections.abc import Sequence
from pathlib import Path
from typing import Final

import matplotlib
import numpy as np
from matplotlib.figure import Figure

from sim.report.drawing import INK, STYLE, Picture, finish
from sim.report.spectrum_plot import COLOURS, DASHES
from sim.report.study_page import Section, StudyPage, Table
from sim.results.table import LIMITED
from sim.scenario.model import Scenario
from sim.scenario.portable import portable_toml
from sim.studies.isolators.study import QUALITY, MountResult, verdict_of
from sim.studies.replay.page import cell
from sim.studies.run.provenance import NOTHING_ASKED, Request, switch_words
from sim.studies.run.study_folder import write_study

KIND: Final = "isolators"
ASSUMPTIONS: Final = (
    "Each axis is one mass on a spring and a viscous damper between progressive stops; rocking and "
    "coupling of axes are left out. Transmissibility is that of the mounts alone, unsampled, as "
    "long as no stop is touched.",
    "Stops are as stiff and lossy as stated, or as the invented values that stand in for them.",
    "A loss beyond 40 dB only says that there is no light. Outage: the longest of any connection; "
    "recovery: from the end of the event to the last tick with a connection out, “–” if one still "
    "is when the run ends.",
)


def write(
    scenario: Scenario, found: Sequence[MountResult], folder: str | Path,
    started: datetime.datetime, *, overwrite: bool, asked: Request = NOTHING_ASKED,
) -> Path:  # fmt: skip
    """Write isolators.json, scenario.toml and report.html; return the folder.

    Raises
    ------
    OutputError
        If the folder exists and may not be replaced, or cannot be written.
    """
    verdict = verdict_of(list(found))
    results = {
        "verdict": verdict, "isolators": [r.row for r in found],
        "spectra": {
            "frequency_hz": found[0].frequency_hz.tolist(), "quality": QUALITY,
            **{r.name: r.response_m_s2.tolist() for r in found},
        },
    }  # fmt: skip
    page = StudyPage(
        title=f"Isolators: {scenario.title}", question=scenario.question.strip(),
        verdict=verdict, good=any(r.row["verdict"] == "met" for r in found),
        sections=[
            Section("What each does", _against(found), [_table(found)], [_picture(found)])
        ],
        notes=ASSUMPTIONS, scenario_toml=portable_toml(scenario),
        strip=[("switch", switch_words(scenario)), ("mounts", str(len(found) - 1))],
    )  # fmt: skip
    return write_study(
        KIND, scenario, page, results, folder, started, overwrite=overwrite, asked=asked
    )


def _against(found: Sequence[MountResult]) -> list[str]:
    """Return what speaks against each: limits that are missed, strikes, a weak event."""
    lines = []
    for r in found:
        missed = [
            f"{LIMITED[row['name']].said} {cell(row['value'])} of {row['limit']:g} "
            f"{LIMITED[row['name']].unit}".rstrip()
            for row in r.row["limits"] if not row["met"]
        ]  # fmt: skip
        texts = [f"misses {', '.join(missed)}"] if missed else []
        if r.row["strikes"]:
            axes = ", ".join(r.row["strikes"])
            texts.append(
                f"the core strikes its stops along {axes}; mirrors and bracket feel the impact"
            )
        else:
            texts += r.row["not_shown"]
        lines += [f"{r.name}: {'; '.join(texts)}."] if texts else []
    return lines


def _table(found: Sequence[MountResult]) -> Table:
    def row(r: MountResult) -> list[str]:
        f, sway = r.row["figures"], r.row["sway"]
        return [
            r.name, cell(r.row["largest_transmissibility"], 3), cell(sway["max_mm"], 3),
            cell(sway["clearance_pct"], 3), cell(f["core_peak_g"], 3),
            cell(f["peak_error_urad"], 4), cell(f["peak_loss_db"], 3),
            cell(f["longest_outage_ms"], 3), cell(f["recovery_ms"], 3), r.row["verdict"],
        ]  # fmt: skip

    head = ["Mounts", "Largest transmissibility", "Sway [mm]", "Of the clearance [%]",
            "Core [g]", "Error [µrad]", "Loss [dB]", "Longest outage [ms]", "Recovery [ms]",
            "Verdict"]  # fmt: skip
    return Table("The same event on each", head, [row(r) for r in found])


def _picture(found: Sequence[MountResult]) -> Picture:
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 3.6), layout="constrained")
        left, right = figure.subplots(1, 2)
        for k, r in enumerate(found):
            look = {"color": COLOURS[k % len(COLOURS)], "ls": DASHES[k % len(DASHES)], "lw": 1.5}
            if r.transmissibility is not None:
                left.plot(r.frequency_hz, r.transmissibility.max(axis=1), **look)
            right.plot(r.frequency_hz, r.response_m_s2 / 9.80665, label=r.name, **look)
        left.axhline(1.0, color=INK, lw=0.8, ls=":")
        left.set_ylabel("core over chassis, worst axis")
        left.set_xlabel("frequency [Hz]")
        right.set_ylabel(f"response of the core, Q = {QUALITY:g} [g]")
        right.set_xlabel("resonance [Hz]")
        for axes in (left, right):
            axes.set_xscale("log")
            axes.set_yscale("log")
        top = max(float(np.max(r.response_m_s2)) for r in found) / 9.80665
        right.set_ylim(1e-4 * top, 2 * top)
        left.set_ylim(1e-3, None)
        figure.legend(loc="outside lower center", ncols=4)
        address = finish(figure)
    return Picture(
        address, "Transmissibility of the mounts, and response spectrum of the core.",
        "Left: magnitude on the worst axis at each frequency, before any stop is touched. Right: "
        "shock response spectrum of the core along the axis on which it is accelerated most, "
        "impacts included.",
    )  # fmt: skip
