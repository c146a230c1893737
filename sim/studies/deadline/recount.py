"""Count anew the instructions that are filed with the program.

`python -m sim.studies.deadline.recount`: every estimator with C source, on the gallery's case in
whole numbers.
"""

import datetime
import json
import re
from pathlib import Path
from typing import Final

from sim.firmware.compiling import run_program
from sim.firmware.emulator import EMULATOR
from sim.scenario.gallery import find
from sim.scenario.model import load_scenario
from sim.studies.deadline.kinds import KINDS, count_kind
from sim.studies.deadline.stored import FILE

CASE: Final = "harrow_point_fixed_point"


def count_all() -> None:
    """Count every estimator with C source, and file the counts with the program."""
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
    count_all()
