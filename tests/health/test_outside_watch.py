"""A watch from a file outside the program, as the docs print it: its contract, and the loop."""

import re
from pathlib import Path

import numpy as np
from mirrorloop.testing.watches import PLANT, check_watch

from sim.assembly.build import build
from sim.foundations.ports import FaultKind
from sim.loop.simulate import simulate
from sim.scenario.model import load_scenario
from tests.events.rig import ONE

DOCS = Path(__file__).parents[2] / "docs" / "health.md"
LIGHT = ('camera.noise="fast"', "estimator.threshold_dn=1400",
         'events=[{kind="light_dimmed",at_ms=30,light=0}]')  # fmt: skip


def in_file(folder):
    """Write the watch that the docs print into a folder; return its name in a scenario."""
    (text,) = re.findall(r"```python\n(# lost_spots.py.*?)```", DOCS.read_text("utf-8"), re.S)
    (folder / "lost_spots.py").write_text(text, encoding="utf-8")
    return f"{folder}/lost_spots.py:LostSpots"


def test_the_watch_that_the_docs_print_keeps_the_contract(tmp_path):
    scope: dict = {}
    in_file(tmp_path)
    exec((tmp_path / "lost_spots.py").read_text("utf-8"), scope)
    check_watch(scope["LostSpots"](scope["Params"](), PLANT))


def test_it_takes_part_in_the_loop(tmp_path):
    # Light is gone from frame 30: the fifth frame without a reading is 34, and what is to be done
    # is done 20 frames on: both mirrors are held, and the light's return would change nothing.
    name = in_file(tmp_path)
    watch = (f'health.watch={{kind="{name}"}}', 'health.actions.lost="hold"', "health.react_ms=20")
    made = build(load_scenario(ONE, ("duration_ms=80", *LIGHT, *watch)))
    result = simulate(made.parts)
    assert [(a.mirror, a.kind, a.frame, a.action) for a in result.alarms] == [
        (0, FaultKind.LOST, 34, "hold"), (1, FaultKind.LOST, 34, "hold"),
    ]  # fmt: skip
    assert (np.diff(result.traces.correction_rad[54:], axis=0) == 0).all()
