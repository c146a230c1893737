"""The folder of a study of one scenario: numbers, page, scenario and the files that it reads."""

import datetime
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from sim.files.filing import filed, put_page
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
    folder = Path(folder)
    origin = provenance(scenario, started, asked)
    with filed(folder, kind=kind, overwrite=overwrite) as new:
        text = json.dumps({**results, "provenance": origin}, indent=1, allow_nan=False)
        (new / f"{kind}.json").write_text(text, encoding="utf-8")
        (new / "scenario.toml").write_text(page.scenario_toml, encoding="utf-8")
        copy_files(scenario, new)
        put_page(new, lambda: render_study(page._replace(provenance=origin)))
        place = new / "report.html"
        if pdf and place.exists():
            from sim.report.pdf import pdf_of

            (new / "report.pdf").write_bytes(pdf_of(place))
    return folder
