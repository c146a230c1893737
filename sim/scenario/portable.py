"""A scenario that can be taken elsewhere: the files it reads lie beside it."""

import shutil
from collections.abc import Iterator
from itertools import count
from pathlib import Path
from typing import Any

import tomli_w

from sim.scenario.file import named_files
from sim.scenario.model import Scenario

PROFILES = "profiles"
CODE = "code"
BUILT = "build"
"""What a firmware's own Makefile leaves in its folder; it can be made again."""


def portable(scenario: Scenario) -> dict[str, Any]:
    """Return the scenario as plain data, its files named as `copy_files` lays them."""
    tree = scenario.model_dump(mode="json", exclude_none=True)
    names = _names(files_of(tree))
    for named in named_files(tree):
        named.table[named.key] = named.naming(names[named.path])
    return tree


def portable_toml(scenario: Scenario) -> str:
    """Return the same as TOML."""
    return tomli_w.dumps(portable(scenario))


def copy_files(scenario: Scenario, folder: Path) -> None:
    """Copy the files that the scenario reads or runs into folders of their own in `folder`."""
    tree = scenario.model_dump(mode="json", exclude_none=True)
    for path, name in _names(files_of(tree)).items():
        (folder / name).parent.mkdir(exist_ok=True)
        if Path(path).is_dir():
            shutil.copytree(path, folder / name, ignore=shutil.ignore_patterns(BUILT))
        else:
            shutil.copyfile(path, folder / name)


def files_of(tree: dict[str, Any]) -> list[str]:
    """Return every file that a scenario's tree names, each once."""
    return list(dict.fromkeys(named.path for named in named_files(tree)))


def _names(paths: list[str]) -> dict[str, str]:
    """Names for the copies, no two alike: their own, with a number before it where it is taken."""
    names: dict[str, str] = {}
    for path in paths:
        folder = CODE if path.endswith(".py") or Path(path).is_dir() else PROFILES
        free = (f"{folder}/{name}" for name in _numbered(Path(path).name))
        names[path] = next(name for name in free if name not in names.values())
    return names


def _numbered(name: str) -> Iterator[str]:
    yield name
    for i in count(2):
        yield f"{i}_{name}"
