"""Where a result comes from: program, seed, packages, machine, time."""

import datetime
import importlib.metadata
import platform
import subprocess
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any, Final, NamedTuple

from sim.assembly.plug_ins import outside_of
from sim.foundations.files.text import counted
from sim.scenario.model import Scenario

PACKAGES: Final = (
    "numpy", "scipy", "control", "numba", "opencv-python-headless", "pydantic", "matplotlib",
)  # fmt: skip


class Request(NamedTuple):
    """What was asked for beyond the scenario's file."""

    overrides: tuple[str, ...] = ()
    """"key.key=value" options."""
    command: str = ""
    """The command line; empty if a program asked."""


NOTHING_ASKED: Final = Request()
"""A program called, with a scenario as it is."""


def now() -> datetime.datetime:
    """Return the time in UTC."""
    return datetime.datetime.now(datetime.UTC)


def switch_words(scenario: Scenario) -> str:
    """Return the size of a scenario's switch, for the strip of a page."""
    geometry = scenario.switch.geometry
    inputs = geometry.ports_per_side
    return f"{counted(inputs, 'input')}, {counted(geometry.outputs or inputs, 'output')}"


def revision() -> str | None:
    """Return the revision of the source that runs, or None if it is an installed copy."""
    root = Path(__file__).parents[3]
    if not (root / ".git").exists():
        return None
    words = ["git", "-C", str(root), "describe", "--always", "--dirty"]
    try:
        return subprocess.run(words, capture_output=True, text=True, check=True).stdout.strip()
    except (OSError, subprocess.CalledProcessError):
        return None


def provenance(
    scenario: Scenario | None, started: datetime.datetime, asked: Request = NOTHING_ASKED
) -> dict[str, Any]:
    """Return where a result comes from, for its files and its page.

    Parameters
    ----------
    scenario : Scenario, optional
        What was computed; None if there is none: no seeds, no outside code then.
    started : datetime
        When the work began.
    asked : Request
        Overrides and command line.

    Returns
    -------
    dict
        Version, revision, seeds, python, machine, packages, outside code, time, overrides, command.
    """
    seeds = {} if scenario is None else {
        "seed": scenario.seed,
        "population_seed": scenario.seeds.population,
        "noise_seed": scenario.seeds.noise,
    }  # fmt: skip
    outside = () if scenario is None else outside_of(scenario)
    return {
        "version": importlib.metadata.version("mirrorloop"),
        "revision": revision(),
        **seeds,
        "python": platform.python_version(),
        "machine": platform.machine(),
        "packages": dict(_versions()),
        "outside_code": [part.record() for part in outside],
        "started": started.isoformat(timespec="seconds"),
        "overrides": list(asked.overrides),
        "command": asked.command,
    }


def _versions() -> Iterator[tuple[str, str]]:
    """Packages and their versions, those that are installed."""
    for name in PACKAGES:
        with suppress(importlib.metadata.PackageNotFoundError):
            yield name, importlib.metadata.version(name)
