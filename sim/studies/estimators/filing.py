"""The comparison's folder: rows as JSON and CSV, the summary, and the page."""

import csv
import io
import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from sim.foundations.files.filing import filed, put_page
from sim.foundations.files.text import csv_text
from sim.foundations.ports import SpotStatus
from sim.studies.estimators.agreement import Agreement
from sim.studies.estimators.page import page_of
from sim.studies.estimators.rows import UNITS, Row
from sim.studies.estimators.run import Comparison


def write_comparison(comparison: Comparison, folder: Path, *, overwrite: bool) -> None:
    """Write estimators.json, estimators.csv, summary.json and report.html, all or none.

    Raises
    ------
    OutputError
        If the folder exists and `overwrite` is false, or it cannot be written.
    """
    files = {
        "estimators.json": json.dumps(comparison.rows, indent=1, allow_nan=False),
        "estimators.csv": as_csv(comparison.rows),
        "summary.json": json.dumps(comparison.summary, indent=1, allow_nan=False),
    }
    if comparison.agreement is not None:
        files["readings.csv"] = readings_csv(comparison.agreement, comparison.summary["estimators"])
    with filed(folder, kind="estimators", overwrite=overwrite) as new:
        for name, text in files.items():
            (new / name).write_text(text, encoding="utf-8")
        put_page(new, lambda: page_of(comparison))


def readings_csv(agreement: Agreement, names: Sequence[str]) -> str:
    """Return every reading: frame (from 0), estimator, position, light, status."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(["frame", "estimator", "x_px", "y_px", "flux_dn", "status"])
    for frame in range(agreement.status.shape[1]):
        for e, name in enumerate(names):
            status = SpotStatus(agreement.status[e, frame])
            place = agreement.spots_px[e, frame] if status == SpotStatus.OK else ("", "")
            cells = [v if v == "" else f"{v:.5f}" for v in place]
            writer.writerow(
                [frame, name, *cells, f"{agreement.flux_dn[e, frame]:.2f}", status.name]
            )
    return text.getvalue()


def as_csv(rows: Sequence[Row]) -> str:
    """Return the rows as CSV: the window as "24x24", nothing where there is no figure."""
    text = io.StringIO()
    writer = csv.DictWriter(text, fieldnames=list(UNITS), lineterminator="\n")
    writer.writeheader()
    for row in rows:
        writer.writerow({key: _cell(value) for key, value in row.items()})
    return text.getvalue()


def _cell(value: Any) -> Any:
    if isinstance(value, list):
        return "x".join(map(str, value))
    return "" if value is None else csv_text(value) if isinstance(value, str) else value
