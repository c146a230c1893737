"""Counts of instructions that are filed with the program, for machines without an emulator.

`python -m sim.studies.deadline.recount` counts them anew.
"""

import json
from pathlib import Path
from typing import Any, Final, NamedTuple

from sim.firmware.emulator import Counted, StageCount

FILE: Final = Path(__file__).with_name("stored_counts.json")


class StoredCounts(NamedTuple):
    """Counts of every estimator, and where they are from."""

    window_px: tuple[int, int]
    """(H, W) of the windows. [px]"""
    words: str
    """Case, compiler, emulator and date."""
    of: dict[str, Counted]
    """By the estimator's kind."""


def stored_counts() -> StoredCounts:
    """Return the counts that are filed with the program."""
    tree: dict[str, Any] = json.loads(FILE.read_text(encoding="utf-8"))
    height, width = tree["window_px"]
    words = (
        f"{tree['case']}, windows of {width} x {height} px, {tree['compiler']}, "
        f"{tree['emulator']}, {tree['date']}"
    )
    found = {kind: _counted(values) for kind, values in tree["estimators"].items()}
    return StoredCounts((height, width), words, found)


def _counted(values: dict[str, Any]) -> Counted:
    stages = tuple(StageCount(**stage) for stage in values["stages"])
    return Counted(**(values | {"stages": stages}))
