"""The folder of a replay."""

import json
from pathlib import Path

from sim.files.filing import filed, put_page
from sim.report.study_page import render_study
from sim.scenario.portable import copy_files
from sim.studies.played.sections import numbers_of
from sim.studies.replay.page import page_of
from sim.studies.replay.study import Replay
from sim.studies.run.provenance import NOTHING_ASKED, Request, provenance, switch_words

KIND = "replay"


def write(
    found: Replay, folder: str | Path, *, overwrite: bool, pdf: bool = False,
    asked: Request = NOTHING_ASKED,
) -> Path:  # fmt: skip
    """Write replay.json, scenario.toml, report.html and, if asked for, report.pdf.

    Raises
    ------
    OutputError
        If the folder exists and may not be replaced, or cannot be written.
    """
    folder = Path(folder)
    origin = provenance(found.scenario, found.started, asked)
    with filed(folder, kind=KIND, overwrite=overwrite) as new:
        results = {
            "cases": found.cases, "margins": found.margins, "verdict": found.verdict,
            "profiles": found.played, "spectra": [numbers_of(event) for event in found.events],
            "noise_seeds": found.seeds, "provenance": origin,
        }  # fmt: skip
        text = json.dumps(results, indent=1, allow_nan=False)
        (new / "replay.json").write_text(text, encoding="utf-8")
        page = page_of(found)._replace(
            provenance=origin, strip=[("switch", switch_words(found.scenario))]
        )
        (new / "scenario.toml").write_text(page.scenario_toml, encoding="utf-8")
        copy_files(found.scenario, new)
        put_page(new, lambda: render_study(page))
        place = new / "report.html"
        if pdf and place.exists():
            from sim.report.pdf import pdf_of

            (new / "report.pdf").write_bytes(pdf_of(place))
    return folder
