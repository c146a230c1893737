"""Folders of logs and of identifications."""

import csv
import json
from pathlib import Path
from typing import Any, Final

import numpy as np
import tomli_w

from sim.foundations.files.filing import filed, put_page
from sim.report.study_page import render_study
from sim.scenario.portable import copy_files, portable, portable_toml
from sim.studies.identify.estimate import AxisEstimate
from sim.studies.identify.identify import Identified, results_of
from sim.studies.identify.page import identify_page
from sim.studies.identify.record import RecordedLog, truth_of
from sim.studies.run.provenance import NOTHING_ASKED, Request, now, provenance

POPULATION: Final = "population.csv"
COLUMNS: Final = ("mirror", "axis", "resonance_hz", "resonance_low_hz", "resonance_high_hz",
                  "quality", "quality_low", "quality_high", "gain", "delay_us",
                  "cross_axis")  # fmt: skip


def write_identified(
    result: Identified, folder: str | Path, *, overwrite: bool = False,
    asked: Request = NOTHING_ASKED,
) -> Path:  # fmt: skip
    """Write identify.json, population.csv, identified.toml and report.html; return the folder.

    `identified.toml` is the scenario with these mirrors; it is written where a scenario was given.

    Parameters
    ----------
    result : Identified
        From `identify`.
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
    origin = provenance(result.scenario, now(), asked)
    page = identify_page(result)._replace(
        provenance=origin, strip=[("logs", ", ".join(path.name for path in result.logs.files))]
    )
    with filed(folder, kind="identify", overwrite=overwrite) as new:
        results = results_of(result) | {"verdict": page.verdict, "provenance": origin}
        text = json.dumps(results, indent=1, allow_nan=False)
        (new / "identify.json").write_text(text, encoding="utf-8")
        with (new / POPULATION).open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file)
            writer.writerow(COLUMNS)
            writer.writerows(_row(e) for e in result.estimates)
        if result.scenario is not None:
            tree = portable(result.scenario)
            tree["mirror"]["population"] = POPULATION
            (new / "identified.toml").write_text(tomli_w.dumps(tree), encoding="utf-8")
            copy_files(result.scenario, new)
        put_page(new, lambda: render_study(page))
    return folder


def _row(e: AxisEstimate) -> list[Any]:
    def three(value: Any) -> list[Any]:
        return ["", "", ""] if value is None else [value.value, value.low, value.high]

    return [
        e.mirror, "xy"[e.axis], *three(e.resonance_hz), *three(e.quality),
        "" if e.gain is None else e.gain.value,
        "" if e.delay_s is None else 1e6 * e.delay_s.value,
        "" if e.cross_axis is None else e.cross_axis.value,
    ]  # fmt: skip


def write_recorded(
    recorded: RecordedLog, kind: str, folder: str | Path, *, overwrite: bool = False,
    asked: Request = NOTHING_ASKED,
) -> Path:  # fmt: skip
    """Write a log (series.npz, decay.csv or staircase.csv), its scenario, and the truth apart.

    `provenance.json` says where it comes from. `truth/truth.csv` says what the simulated mirrors
    are. A laboratory does not know it.

    Parameters
    ----------
    recorded : RecordedLog
        From `record`.
    kind : {"series", "decay", "staircase"}
        What was recorded.
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
    scenario = recorded.built.resolved
    with filed(folder, kind="record", overwrite=overwrite) as new:
        if recorded.arrays is not None:
            arrays: dict[str, Any] = dict(recorded.arrays)
            np.savez_compressed(new / f"{kind}.npz", **arrays)
        if recorded.columns is not None:
            _table(new / f"{kind}.csv", recorded.columns)
        (new / "truth").mkdir()
        _table(new / "truth" / "truth.csv", truth_of(recorded.built))
        (new / "scenario.toml").write_text(portable_toml(scenario), encoding="utf-8")
        origin = json.dumps(provenance(scenario, now(), asked), indent=1)
        (new / "provenance.json").write_text(origin, encoding="utf-8")
        copy_files(scenario, new)
    return folder


def _table(path: Path, columns: dict[str, Any]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(columns)
        writer.writerows(
            [_cell(value) for value in row] for row in zip(*columns.values(), strict=True)
        )


def _cell(value: Any) -> Any:
    if isinstance(value, str | int | np.integer):
        return value
    return "" if np.isnan(value) else f"{float(value):.10g}"
