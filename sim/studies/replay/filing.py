"""The folder of a replay."""

from pathlib import Path

from sim.studies.played.sections import profile_figures
from sim.studies.replay.page import page_of
from sim.studies.replay.study import Replay
from sim.studies.run.provenance import NOTHING_ASKED, Request, switch_words
from sim.studies.run.study_folder import write_study

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
    results = {
        "cases": found.cases, "margins": found.margins, "verdict": found.verdict,
        "profiles": found.played, "spectra": [profile_figures(event) for event in found.events],
        "noise_seeds": found.seeds,
    }  # fmt: skip
    page = page_of(found)._replace(strip=[("switch", switch_words(found.scenario))])
    return write_study(
        KIND, found.scenario, page, results, folder, found.started, overwrite=overwrite, pdf=pdf,
        asked=asked,
    )  # fmt: skip
