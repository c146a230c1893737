"""Folders of these studies: tables for programs, a page for people."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from sim.assembly.build import Built
from sim.report.study_page import StudyPage
from sim.studies.margins.curves import (
    FREQUENCY_COLUMNS,
    STEP_COLUMNS,
    csv_of,
    frequency_table,
    loops_named,
    step_table,
)
from sim.studies.margins.loops import MarginsStudy
from sim.studies.margins.margins import margins_summary, rows
from sim.studies.margins.margins_page import page_of
from sim.studies.margins.sector import SectorStudy, sector_rows, sector_summary
from sim.studies.margins.sector_page import sector_page
from sim.studies.run.preview import played_in, strip_of
from sim.studies.run.provenance import NOTHING_ASKED, Request, now, provenance
from sim.studies.run.study_folder import put_study


def write_margins(
    result: MarginsStudy, folder: str | Path, *, overwrite: bool = False,
    asked: Request = NOTHING_ASKED, loops: Sequence[str] = (),
) -> Path:  # fmt: skip
    """Write margins.json, summary.json, CSV tables, scenario.toml and report.html.

    `responses.csv` has L, S and T over frequency, `steps.csv` unit steps over time: of the loops
    with the largest Ms and the smallest gain margin, and of the mirrors named in `loops`. Returns
    the folder.

    Raises
    ------
    OutputError
        If the folder exists and `overwrite` is false, or it cannot be written.
    ScenarioError
        If `loops` names a mirror that is not there.
    """
    places = loops_named(result, loops)
    texts = {
        "responses.csv": csv_of(FREQUENCY_COLUMNS, frequency_table(result, places)),
        "steps.csv": csv_of(STEP_COLUMNS, step_table(result, places)),
    }
    return write_loop_study(
        folder, {"margins": rows(result), "summary": margins_summary(result)}, page_of(result),
        result.built, kind="margins", overwrite=overwrite, asked=asked, texts=texts,
    )  # fmt: skip


def write_sector(
    result: SectorStudy, folder: str | Path, *, overwrite: bool = False,
    asked: Request = NOTHING_ASKED,
) -> Path:  # fmt: skip
    """Write sector.json, summary.json, scenario.toml and report.html; return the folder.

    Raises
    ------
    OutputError
        If the folder exists and `overwrite` is false, or it cannot be written.
    """
    return write_loop_study(
        folder, {"sector": sector_rows(result), "summary": sector_summary(result)},
        sector_page(result), result.built, kind="margins", overwrite=overwrite, asked=asked,
    )  # fmt: skip


def write_loop_study(
    folder: str | Path, tables: dict[str, Any], page: StudyPage, built: Built, *,
    kind: str, overwrite: bool, asked: Request = NOTHING_ASKED,
    texts: dict[str, str] | None = None,
) -> Path:  # fmt: skip
    """Write each table as NAME.json, each text under its own name, the scenario and the page.

    `summary.json` holds the verdict, the scenario, and where all of it comes from, with what
    `tables` has under that name. `kind` names the results to `sim.foundations.files.filing.filed`.
    """
    scenario = built.resolved
    origin = provenance(scenario, now(), asked)
    page = page._replace(provenance=origin, strip=strip_of(built), played=played_in(built))
    summary = {
        **tables.get("summary", {}),
        "verdict": page.verdict,
        "good": page.good,
        "scenario": scenario.model_dump(mode="json", exclude_none=True),
        "provenance": origin,
    }
    return put_study(
        folder, scenario, page, {**tables, "summary": summary}, kind=kind, overwrite=overwrite,
        texts=texts,
    )  # fmt: skip
