"""Counts of instructions that are filed with the program, for machines without an emulator.

`python -m sim.studies.deadline.stored` counts them anew: every estimator with C source, on the
gallery's case in whole numbers.
"""

import datetime
import json
import re
from pathlib import Path
from typing import Any, Final, NamedTuple

from sim.firmware.compiling import run_program
from sim.firmware.emulator import EMULATOR, Counted, StageCount

FILE: Final = Path(__file__).with_name("stored_counts.json")
CASE: Final = "harrow_point_fixed_point"


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


def _count_all() -> None:
    from sim.scenario.gallery import find
    from sim.scenario.model import load_scenario
    from sim.studies.deadline.kinds import KINDS, count_kind

    scenario = load_scenario(find(CASE), [])
    found = {kind: count_kind(scenario, kind) for kind in KINDS}
    said = run_program([EMULATOR, "--version"], folder=Path.cwd(), what="version")
    version = said.splitlines()[0]
    number = re.search(r"version ([\d.]+)", version)
    tree = {
        "case": CASE,
        "window_px": list(scenario.camera.window_px),
        "compiler": next(iter(found.values())).compiler,
        "emulator": f"{EMULATOR} {number.group(1) if number else version}",
        "date": datetime.datetime.now(datetime.UTC).date().isoformat(),
        "estimators": {
            kind: each._asdict() | {"stages": [stage._asdict() for stage in each.stages]}
            for kind, each in found.items()
        },
    }
    FILE.write_text(json.dumps(tree, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    _count_all()
