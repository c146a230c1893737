"""The folder of a study of yield."""

import json
from pathlib import Path

from sim.foundations.files.filing import filed, put_page
from sim.report.study_page import render_study
from sim.scenario.portable import copy_files
from sim.studies.built.page import page_of
from sim.studies.built.study import Yield
from sim.studies.connections.csv_table import write_columns
from sim.studies.connections.filing import write_late
from sim.studies.run.provenance import NOTHING_ASKED, Request, provenance, switch_words

KIND = "yield"


def write(
    found: Yield, folder: str | Path, *, overwrite: bool, asked: Request = NOTHING_ASKED
) -> Path:
    """Write yield.json, switches.csv, end_of_life.csv, scenario.toml and report.html.

    Parameters
    ----------
    found : Yield
        From `study`.
    folder : str or Path
        The result folder; written whole or not at all.
    overwrite : bool
        Whether an existing one may be replaced.
    asked : Request
        What led to it, to be filed.

    Returns
    -------
    Path
        The folder.

    Raises
    ------
    OutputError
        If the folder exists and may not be replaced, or cannot be written.
    """
    folder = Path(folder)
    p = found.population
    origin = provenance(found.scenario, found.started, asked)
    with filed(folder, kind=KIND, overwrite=overwrite) as new:
        results = found.results | {
            "verdict": found.verdict,
            "provenance": origin,
        }
        (new / "yield.json").write_text(
            json.dumps(results, indent=1, allow_nan=False), encoding="utf-8"
        )
        write_columns(
            new / "switches.csv",
            {
                "population_seed": (p.seeds, 0),
                "new_mean_db": (p.new_mean_db, 5),
                "new_worst_db": (p.new_worst_db, 5),
                "late_mean_db": (p.late_mean_db, 5),
                "late_worst_db": (p.late_worst_db, 5),
                "over_acceptance": (p.over_new, 0),
                "over_end_of_life": (p.over_late, 0),
                "out_of_travel": (p.unreachable, 0),
                "rescued": (p.rescued.astype(int), 0),
            },
        )
        write_late(new / "end_of_life.csv", found.late_columns)
        page = page_of(found)._replace(
            provenance=origin, strip=[("switch", switch_words(found.scenario))]
        )
        (new / "scenario.toml").write_text(page.scenario_toml, encoding="utf-8")
        copy_files(found.scenario, new)
        put_page(new, lambda: render_study(page))
    return folder
