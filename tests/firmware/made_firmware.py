"""Scenarios, firmware and vectors for the tests of the C source."""

import shutil
from pathlib import Path

import pytest

from sim.assembly.build import Built, build
from sim.firmware.emulator import missing
from sim.scenario.gallery import find
from sim.scenario.model import load_scenario

FIXED = '{kind="fixed"}'
COMPILERS = [
    pytest.param(name, marks=pytest.mark.skipif(shutil.which(name) is None, reason=f"no {name}"))
    for name in ("gcc", "clang")
]
EMULATED = pytest.mark.skipif(missing() is not None, reason=str(missing()))


FEW = (
    "switch.geometry.ports_per_side=4", "switch.geometry.columns=2", "duration_ms=160",
    "metrics.hold_from_ms=140", "limits={}", "switch.moves=[]",
)  # fmt: skip
"""Makes a short run of few mirrors of a case."""


def small(*overrides: str) -> Built:
    """Return a run of Harrow Point with few mirrors, both parts in whole numbers."""
    asked = (
        *FEW, f"estimator.arithmetic={FIXED}", f"controller.arithmetic={FIXED}", *overrides,
    )  # fmt: skip
    return build(load_scenario(find("harrow_point_reconfigure"), asked))


def c_files(folder: Path) -> list[Path]:
    """Return the firmware's own sources."""
    return sorted((folder / "src").glob("*.c"))
