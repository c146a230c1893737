"""Folders of these studies: tables for programs, a page for people."""

import json
from pathlib import Path
from typing import Any

from sim.files.filing import filed, put_page
from sim.report.study_page import StudyPage, render_study
from sim.scenario.model import Scenario
from sim.scenario.portable import copy_files
from sim.studies.margins.margins import MarginsStudy, rows, summary_of
from sim.studies.margins.margins_page import page_of


def write_margins(result: MarginsStudy, folder: str | Path, *, overwrite: bool = False) -> Path:
    """Write margins.json, summary.json, scenario.toml and report.html; return the folder.

    Raises
    ------
    OutputError
        If the folder exists and `overwrite` is false, or it cannot be written.
    """
    tables = {"margins": rows(result), "summary": summary_of(result)}
    scenario = result.built.resolved
    page = page_of(result)
    return write_study(folder, tables, page, scenario, kind="margins", overwrite=overwrite)


def write_study(
    folder: str | Path, tables: dict[str, Any], page: StudyPage, scenario: Scenario, *,
    kind: str, overwrite: bool, texts: dict[str, str] | None = None,
) -> Path:  # fmt: skip
    """Write each table as NAME.json, each text under its own name, the scenario and the page.

    The files that the scenario reads are copied beside it. `kind` names the results to
    `sim.files.filing.filed`.
    """
    folder = Path(folder)
    with filed(folder, kind=kind, overwrite=overwrite) as new:
        for name, content in tables.items():
            text = json.dumps(content, indent=1, allow_nan=False)
            (new / f"{name}.json").write_text(text, encoding="utf-8")
        for name, text in (texts or {}).items():
            (new / name).write_text(text, encoding="utf-8")
        (new / "scenario.toml").write_text(page.scenario_toml, encoding="utf-8")
        copy_files(scenario, new)
        put_page(new, lambda: render_study(page))
    return folder
