"""Where a result comes from: program, seed, packages, machine, time."""

import datetime
import importlib.metadata
import platform
from typing import Any, Final

from sim.assembly.plug_ins import outside_of
from sim.scenario.model import Scenario

PACKAGES: Final = (
    "numpy", "scipy", "control", "numba", "opencv-python-headless", "pydantic", "matplotlib",
)  # fmt: skip


def now() -> datetime.datetime:
    """Return the time in UTC."""
    return datetime.datetime.now(datetime.UTC)


def provenance(scenario: Scenario, started: datetime.datetime) -> dict[str, Any]:
    """Return version, seed, python, machine, packages, outside code and when the work began."""
    return {
        "version": importlib.metadata.version("mirrorloop"),
        "seed": scenario.seed,
        "python": platform.python_version(),
        "machine": platform.machine(),
        "packages": {name: importlib.metadata.version(name) for name in PACKAGES},
        "outside_code": [part.record() for part in outside_of(scenario)],
        "started": started.isoformat(timespec="seconds"),
    }
