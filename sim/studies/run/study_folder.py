"""The folder of a study of one scenario: numbers, page, scenario and the files that it reads."""

import datetime
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from sim.foundations.files.filing import filed, put_page
from sim.report.study_page import StudyPage, render_study
from sim.scenario.model import Scenario
from sim.scenario.portable import copy_files
from sim.studies.run.provenance import NOTHING_ASKED, Request, provenance


def write_study(
    kind: str, scenario: Scenario, page: StudyPage, results: Mapping[str, Any],
    folder: str | Path, started: datetime.datetime, *, overwrite: bool, pdf: bool = False,
    asked: Request = NOTHING_ASKED,
) -> Path:  # fmt: skip
    """Write KIND.json, scenario.toml, report.html and, if asked for, report.pdf; return the folder.

    Parameters
    ----------
    kind : str
        Of the folder; names the file of numbers too.
    scenario : Scenario
        What it is about.
    page : StudyPage
        Its page; provenance is put in.
    results : mapping
        The numbers; provenance is put in.
    folder : str or Path
        Where to.
    started : datetime
        When the study began.
    overwrite : bool
        Whether an existing folder may be replaced.
    pdf : bool
        Whether to write report.pdf too (extra `pdf`).
    asked : Request
        What led to it.

    Raises
    ------
    OutputError
        If the folder exists and may not be replaced, or cannot be written.
    """
    origin = provenance(scenario, started, asked)
    return put_study(
        folder, scenario, page._replace(provenance=origin),
        {kind: {**results, "provenance": origin}}, kind=kind, overwrite=overwrite, pdf=pdf,
    )  # fmt: skip


def put_study(
    folder: str | Path, scenario: Scenario, page: StudyPage, tables: Mapping[str, Any], *,
    kind: str, overwrite: bool, pdf: bool = False, texts: Mapping[str, str] | None = None,
) -> Path:  # fmt: skip
    """Write each table as NAME.json, each text under its own name, the scenario and the page.

    The files that the scenario reads are copied beside it.

    Raises
    ------
    OutputError
        If the folder exists and may not be replaced, or cannot be written.
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
        place = new / "report.html"
        if pdf and place.exists():
            from sim.report.pdf import pdf_of

            (new / "report.pdf").write_bytes(pdf_of(place))
    return folder
