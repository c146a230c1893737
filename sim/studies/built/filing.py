"""The folder of a study of yield."""

import json
from pathlib import Path

from sim.errors import OutputError
from sim.files.filing import filed, put_page
from sim.files.reading import read_bytes, read_text
from sim.report.study_page import render_study
from sim.scenario.portable import copy_files
from sim.studies.built.page import page_of
from sim.studies.built.study import Yield
from sim.studies.connections.csv_table import write_columns
from sim.studies.run.provenance import NOTHING_ASKED, Request, provenance, switch_words

KIND = "yield"


def write(
    found: Yield, folder: str | Path, *, overwrite: bool, asked: Request = NOTHING_ASKED
) -> Path:
    """Write yield.json, switches.csv, scenario.toml and report.html; return the folder.

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
        page = page_of(found)._replace(
            provenance=origin, strip=[("switch", switch_words(found.scenario))]
        )
        (new / "scenario.toml").write_text(page.scenario_toml, encoding="utf-8")
        copy_files(found.scenario, new)
        put_page(new, lambda: render_study(page))
    return folder


def budget_of_life(folder: Path) -> tuple[str, ...]:
    """Return the end of a life, from its `life.json`, as overrides of `switch.budget`.

    Raises
    ------
    OutputError
        If the folder holds no life.
    """
    path = folder / "life.json"
    try:
        budget = json.loads(read_bytes(path, fault=OutputError))["budget"]
        return tuple(f"switch.budget.{key}={float(value)!r}" for key, value in budget.items())
    except (ValueError, KeyError, TypeError, AttributeError):
        raise OutputError(f"{path}: is not the result of a life") from None


def servo_of_run(folder: Path) -> float:
    """Return the residual error of the loops, per axis: its radial rms over sqrt(2). [urad]

    Of a run: bias and jitter are both in it; over a population of mirrors both are draws. Of a
    prediction: the jitter alone, predicted from spectra.

    Raises
    ------
    OutputError
        If the folder holds no results of a run and no prediction, or no such figure.
    """
    try:
        if (folder / "prediction.json").is_file():
            text = read_text(folder / "prediction.json", fault=OutputError)
            rms = json.loads(text)[-1]["predicted_urad"]
        else:
            text = read_text(folder / "results.json", fault=OutputError)
            rms = json.loads(text)["pointing"]["rms_urad"]
        return round(float(rms) / 2**0.5, 4)
    except (OutputError, ValueError, KeyError, IndexError, TypeError, RecursionError) as exc:
        raise OutputError(
            f"--servo-from {folder}: no pointing rms of a run there, and no prediction"
        ) from exc
