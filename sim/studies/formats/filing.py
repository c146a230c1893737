"""The folder of a study of word lengths: tables for programs, a page for people."""

import csv
import io
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any, Final

from sim.foundations.files.text import csv_text
from sim.studies.formats.page import formats_page
from sim.studies.formats.ranges import WordRow
from sim.studies.formats.study import FormatsStudy
from sim.studies.formats.sweep import SweepRow
from sim.studies.margins.filing import write_loop_study
from sim.studies.run.provenance import NOTHING_ASKED, Request

KIND: Final = "formats"


def results_of(found: FormatsStudy) -> dict[str, Any]:
    """Return what `formats.json` holds: plain numbers, texts, lists and None."""
    loop = found.cycles
    return {
        "floating_point_urad": 1e6 * found.plain.rms_rad,
        "as_given_pct": found.as_given[0],
        "as_given_sd_pct": found.as_given[1],
        "in_whole_numbers": list(found.start.fixed),
        "left_out": list(found.start.left_out),
        "recommended": [knee._asdict() for knee in found.knees],
        "together": None if found.together is None else found.together._asdict(),
        "words": [row._asdict() for row in found.words],
        "examples": [example.plain() for example in found.examples],
        "measured": found.measured._asdict(),
        "stalls": [stall._asdict() for stall in found.stalls],
        "sections": [row._asdict() for row in found.sections],
        "loops_without_noise": None if loop is None else loop._asdict(),
        "runs": [row._asdict() for row in found.rows],
    }


def write_formats(
    found: FormatsStudy, folder: str | Path, *, overwrite: bool = False,
    asked: Request = NOTHING_ASKED,
) -> Path:  # fmt: skip
    """Write formats.json, runs.csv, words.csv, summary.json, scenario.toml and report.html.

    Parameters
    ----------
    found : FormatsStudy
        From `formats`.
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
        If the folder exists and `overwrite` is false, or it cannot be written.
    """
    texts = {
        "runs.csv": _csv(SweepRow._fields, found.rows),
        "words.csv": _csv(WordRow._fields, found.words),
    }
    return write_loop_study(
        folder, {"formats": results_of(found)}, formats_page(found), found.built, kind=KIND,
        overwrite=overwrite, asked=asked, texts=texts,
    )  # fmt: skip


def _csv(columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> str:
    """Return a table as CSV; a cell without a value is empty."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(columns)
    for row in rows:
        writer.writerow([csv_text(each) if isinstance(each, str) else each for each in row])
    return text.getvalue()
