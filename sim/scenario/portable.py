"""A scenario that can be taken elsewhere: the files it reads lie beside it."""

import shutil
from collections.abc import Iterator
from itertools import count
from pathlib import Path
from typing import Any

import tomli_w

from sim.outside import is_file
from sim.registry import GROUPS
from sim.scenario.model import Scenario

PROFILES = "profiles"
CODE = "code"


def portable(scenario: Scenario) -> dict[str, Any]:
    """Return the scenario as plain data, its files named as `copy_files` lays them."""
    tree = scenario.model_dump(mode="json", exclude_none=True)
    names = _names(_files(tree))
    for table in _tables(tree):
        for key, path, rest in _named(table):
            table[key] = names[path] + rest
    return tree


def portable_toml(scenario: Scenario) -> str:
    """Return the same as TOML."""
    return tomli_w.dumps(portable(scenario))


def copy_files(scenario: Scenario, folder: Path) -> None:
    """Copy the files that the scenario reads or runs into folders of their own in `folder`."""
    tree = scenario.model_dump(mode="json", exclude_none=True)
    for path, name in _names(_files(tree)).items():
        (folder / name).parent.mkdir(exist_ok=True)
        shutil.copyfile(path, folder / name)


def _tables(tree: Any) -> Iterator[dict[str, Any]]:
    """Every table of the parts that a scenario names."""
    parts = [tree[section] for section in GROUPS if section in tree]
    while parts:
        part = parts.pop(0)
        if isinstance(part, dict):
            yield part
            parts = [*part.values(), *parts]
        elif isinstance(part, list):
            parts = [*part, *parts]


def _named(table: dict[str, Any]) -> Iterator[tuple[str, str, str]]:
    """Yield (key, file, what follows the file's name) of each file that a table names."""
    if isinstance(table.get("file"), str):
        yield "file", table["file"], ""
    kind = table.get("kind")
    if isinstance(kind, str) and is_file(kind):
        place, colon, name = kind.rpartition(":")
        yield "kind", place, colon + name


def _files(tree: Any) -> list[str]:
    """Every file that is named, each once."""
    found = [path for table in _tables(tree) for _, path, _ in _named(table)]
    return list(dict.fromkeys(found))


def _names(paths: list[str]) -> dict[str, str]:
    """Names for the copies, no two alike: their own, with a number before it where it is taken."""
    names: dict[str, str] = {}
    for path in paths:
        folder = CODE if path.endswith(".py") else PROFILES
        free = (f"{folder}/{name}" for name in _numbered(Path(path).name))
        names[path] = next(name for name in free if name not in names.values())
    return names


def _numbered(name: str) -> Iterator[str]:
    yield name
    for i in count(2):
        yield f"{i}_{name}"
