"""The table of a sweep: one row a run, in the order of the plan, and nothing that can vary."""

import csv
import io
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from sim.foundations.files.filing import put
from sim.foundations.files.parquet import require_parquet
from sim.foundations.files.text import csv_text
from sim.results.table import FIGURE_OF
from sim.studies.sweep.one_run import RunOutcome
from sim.studies.sweep.plan import SweepPlan
from sim.studies.sweep.vary import toml

SweepTable = dict[str, list[Any]]


def make_table(plan: SweepPlan, outcomes: Mapping[int, RunOutcome]) -> SweepTable:
    """Return the columns: run, point, seed, varied quantities, metrics, limits missed, error.

    Parameters
    ----------
    plan : SweepPlan
        The sweep.
    outcomes : mapping of int to Outcome
        By run; runs that are not in it are left out.

    Returns
    -------
    dict of str to list
        A figure that does not exist is None. Lists stand as TOML text.
    """
    runs = sorted(outcomes)
    where = [plan.of_run(run) for run in runs]
    table: SweepTable = {
        "run": list(runs),
        "point": [point for point, _ in where],
        "seed": [seed for _, seed in where],
    }
    for i, varied in enumerate(plan.varied):
        table[varied.path] = [_cell(plan.points[point][i]) for point, _ in where]
    for name in FIGURE_OF:
        table[name] = [outcomes[run].figures.get(name) for run in runs]
    done = [outcomes[run] for run in runs]
    table["limits_missed"] = [None if o.error else " ".join(o.limits_missed) for o in done]
    table["error"] = [o.error for o in done]
    return table


def write_csv(table: SweepTable, path: Path) -> None:
    """Write the table; an empty cell is a figure that does not exist.

    Text that a spreadsheet would take for a formula has an apostrophe before it.
    """
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(map(csv_text, table))
    for row in zip(*table.values(), strict=True):
        writer.writerow("" if cell is None else _text(cell) for cell in row)
    put(path, text.getvalue().encode("utf-8"))


def write_parquet(table: SweepTable, path: Path) -> None:
    """Write the table with typed columns; a null is a figure that does not exist."""
    require_parquet()
    import pyarrow
    import pyarrow.parquet

    fixed = {name: pyarrow.float64() for name in FIGURE_OF}
    fixed |= {name: pyarrow.int64() for name in ("run", "point", "seed")}
    fixed |= {name: pyarrow.string() for name in ("limits_missed", "error")}
    columns = {
        name: pyarrow.array(_one_type(cells), type=fixed.get(name)) for name, cells in table.items()
    }
    buffer = io.BytesIO()
    pyarrow.parquet.write_table(pyarrow.table(columns), buffer)
    put(path, buffer.getvalue())


def _cell(value: Any) -> Any:
    return toml(value) if isinstance(value, list) else value


def _text(cell: Any) -> str:
    return str(cell).lower() if isinstance(cell, bool) else csv_text(str(cell))


def _one_type(cells: list[Any]) -> list[Any]:
    """Numbers of both kinds become floats; anything else that is mixed becomes text."""
    kinds = {type(c) for c in cells if c is not None}
    if kinds <= {int, float} and float in kinds:
        return [None if c is None else float(c) for c in cells]
    if len(kinds) > 1:
        return [None if c is None else _text(c) for c in cells]
    return cells
