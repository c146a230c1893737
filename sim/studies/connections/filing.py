"""The folder of the study of connections."""

import csv
import json
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from sim.foundations.files.filing import filed, put_page, to_disk
from sim.foundations.files.parquet import require_parquet
from sim.foundations.ports import Array
from sim.report.study_page import render_study
from sim.scenario.portable import copy_files, portable_toml
from sim.studies.connections.csv_table import write_columns
from sim.studies.connections.page import page_of
from sim.studies.connections.study import ConnectionStudy, columns_of, geometry_columns, results_of
from sim.studies.run.provenance import NOTHING_ASKED, Request, provenance, switch_words

KIND = "connections"


def write(
    found: ConnectionStudy, folder: str | Path, *, overwrite: bool, parquet: bool = False,
    asked: Request = NOTHING_ASKED,
) -> Path:  # fmt: skip
    """Write the tables, connections.json, scenario.toml and report.html; return the folder.

    Parameters
    ----------
    found : ConnectionStudy
        From `study`.
    folder : str or Path
        The result folder.
    overwrite : bool
        Whether an existing one may be replaced.
    parquet : bool
        Whether tables are written as Parquet too.
    asked : Request
        What led to it, to be filed.

    Raises
    ------
    OutputError
        If the folder exists and may not be replaced, cannot be written, or Parquet is not there.
    """
    folder = Path(folder)
    if parquet:
        require_parquet()
    origin = provenance(found.scenario, found.started, asked)
    with filed(folder, kind=KIND, overwrite=overwrite) as new, ThreadPoolExecutor(1) as beside:
        results = results_of(found) | {
            "provenance": origin,
        }
        text = json.dumps(results, indent=1, allow_nan=False)
        (new / "connections.json").write_text(text, encoding="utf-8")
        columns = columns_of(found.table)
        tables = {"connections": columns}
        if found.jacobian is not None:
            tables["geometry"] = geometry_columns(found)
        written = []
        for name, some in tables.items():
            write_columns(new / f"{name}.csv", some)
            # The folder is filed once all is on the disk: large tables get there meanwhile.
            written.append(beside.submit(to_disk, new / f"{name}.csv"))
        if parquet:
            import pyarrow
            import pyarrow.parquet

            for name, columns in tables.items():
                table = pyarrow.table({key: values for key, (values, _) in columns.items()})
                pyarrow.parquet.write_table(table, new / f"{name}.parquet")
        page = page_of(found)._replace(
            provenance=origin, strip=[("switch", switch_words(found.scenario))]
        )
        (new / "scenario.toml").write_text(page.scenario_toml, encoding="utf-8")
        if found.late_columns:
            write_late(new / "end_of_life.csv", found.late_columns)
        if found.staged is not None:
            (new / "staged.toml").write_text(portable_toml(found.staged), encoding="utf-8")
        if found.bulk is not None:
            write_light(new / "time_to_light.csv", found)
        copy_files(found.scenario, new)
        put_page(new, lambda: render_study(page))
        for each in written:
            each.result()
    return folder


def write_late(path: Path, late: Mapping[str, Array]) -> None:
    """Write what many lives do to each connection (C,), as CSV; ports are whole numbers."""
    write_columns(
        path, {name: (v, 0 if v.dtype.kind == "i" else 5) for name, v in late.items()}
    )


def write_light(path: Path, found: ConnectionStudy) -> None:
    """Write when each connection of the move has light, in each order made, as CSV.

    A connection that stays dark has an empty cell.
    """
    assert found.bulk is not None
    name = "as_stated" if found.scenario.switch.moves[0].stages else "together"
    runs = {name: found.bulk} | found.bulk_by_order
    with path.open("w", encoding="utf-8", newline="") as file:
        rows = csv.writer(file)
        rows.writerow(["input", "output", *(f"{name}_ms" for name in runs)])
        columns = (bulk["time_to_light_ms"] for bulk in runs.values())
        for pair in zip(found.bulk["inputs"], found.bulk["outputs"], *columns, strict=True):
            rows.writerow([*pair[:2], *("" if t is None else f"{t:.3f}" for t in pair[2:])])
