"""What decides the outcomes of a sweep: plan, program, libraries, recorded files, outside code."""

import hashlib
import importlib.metadata
import importlib.util
import json
from collections.abc import Iterator, Sequence
from functools import cache
from pathlib import Path
from typing import Any, Final

from sim.assembly.plug_ins import outside_of
from sim.foundations.kinds.outside import SOURCE, Outside, is_source, sum_of_sources
from sim.scenario.model import Scenario
from sim.scenario.portable import files_of
from sim.studies.sweep.plan import SweepPlan

PACKAGES: Final = ("numpy", "scipy", "numba", "llvmlite", "opencv-python-headless", "pydantic")
"""Libraries whose version may change a figure."""
OWN: Final = ("sim", "controllers")
LENGTH: Final = 16


def identity_of(plan: SweepPlan) -> dict[str, Any]:
    """Return what decides the outcomes of a sweep, each part as plain text or numbers.

    Parameters
    ----------
    plan : SweepPlan
        The sweep. The files that its scenarios read, and the code that they name, are read now.
    """
    return identity_of_scenarios(plan.scenarios) | {
        "varied quantities": [v.path for v in plan.varied],
        "design": plan.design,
        "points": json.loads(json.dumps(plan.points)),
        "seeds": list(plan.seeds),
    }


def identity_of_scenarios(scenarios: Sequence[str]) -> dict[str, Any]:
    """Return what decides the outcomes of some scenarios, given as their JSON."""
    trees = [json.loads(text) for text in scenarios]
    files = sorted({name for tree in trees for name in files_of(tree)})
    mixes = {tuple(_named(tree, "kind")): tree for tree in trees}
    parts = {part.kind: part.target for tree in mixes.values() for part in _outside(tree)}
    return {
        "version": importlib.metadata.version("mirrorloop"),
        "packages": versions(),
        "program": own_code(),
        "scenario": digest("\n".join(scenarios).encode()),
        "recorded files": {name: _of_file(Path(name)) for name in files},
        "outside code": {kind: code_of(target) for kind, target in sorted(parts.items())},
    }


def _outside(tree: dict[str, Any]) -> tuple[Outside, ...]:
    return outside_of(Scenario.model_validate(tree))


def versions() -> dict[str, str]:
    """Return the versions of the libraries that matter."""
    return {name: importlib.metadata.version(name) for name in PACKAGES}


@cache
def own_code() -> str:
    """Return a digest of this program's own code."""
    return digest("".join(code_of(f"{package}:") for package in OWN).encode())


def code_of(kind: str) -> str:
    """Return a digest of all code in the file or package that a kind leads to; runs none of it.

    Parameters
    ----------
    kind : str
        "package.module:Name", "file.py:Name" or "c:DIR".

    Returns
    -------
    str
        "missing" where nothing is found.
    """
    if is_source(kind):
        folder = Path(kind.removeprefix(SOURCE))
        return digest(sum_of_sources(folder).encode()) if folder.is_dir() else "missing"
    place = kind.rpartition(":")[0]
    if place.endswith(".py"):
        return _of_file(Path(place))
    try:
        spec = importlib.util.find_spec(place.partition(".")[0])
    except (ImportError, ValueError):
        spec = None
    if spec is None:
        return "missing"
    if spec.submodule_search_locations is None:
        return _of_file(Path(spec.origin or ""))
    folders = [Path(folder) for folder in spec.submodule_search_locations]
    parts = (
        f"{path.relative_to(folder).as_posix()} {_of_file(path)}"
        for folder in folders
        for path in sorted(folder.rglob("*.py"))
    )
    return digest("\n".join(parts).encode())


def digest(data: bytes) -> str:
    """Return a short hash of some bytes."""
    return hashlib.sha256(data).hexdigest()[:LENGTH]


def _of_file(path: Path) -> str:
    return digest(path.read_bytes()) if path.is_file() else "missing"


def _named(tree: Any, key: str) -> Iterator[str]:
    """Yield every text that stands under a key, at any depth."""
    if isinstance(tree, dict):
        if isinstance(tree.get(key), str):
            yield tree[key]
        tree = list(tree.values())
    if isinstance(tree, list):
        for part in tree:
            yield from _named(part, key)
