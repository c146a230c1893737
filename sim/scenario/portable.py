"""A scenario that can be taken elsewhere: the files it reads lie beside it."""

import shutil
from collections.abc import Iterator
from itertools import count
from pathlib import Path
from typing import Any

import tomli_w

from sim.scenario.model import Scenario

PROFILES = "profiles"


def portable(scenario: Scenario) -> dict[str, Any]:
    """Return the scenario as plain data, its files named as `copy_files` lays them."""
    tree = scenario.model_dump(mode="json", exclude_none=True)
    _rename(tree["disturbances"], _names(_files(tree["disturbances"])))
    return tree


def portable_toml(scenario: Scenario) -> str:
    """Return the same as TOML."""
    return tomli_w.dumps(portable(scenario))


def copy_files(scenario: Scenario, folder: Path) -> None:
    """Copy the files that the scenario reads into a folder of their own in `folder`."""
    tree = scenario.model_dump(mode="json", exclude_none=True)
    for path, name in _names(_files(tree["disturbances"])).items():
        (folder / PROFILES).mkdir(exist_ok=True)
        shutil.copyfile(path, folder / PROFILES / name)


def _files(tree: Any) -> list[str]:
    """Every file that is named, each once."""
    if isinstance(tree, dict):
        own = [tree["file"]] if isinstance(tree.get("file"), str) else []
        return own + _files(list(tree.values()))
    if isinstance(tree, list):
        return list(dict.fromkeys(path for part in tree for path in _files(part)))
    return []


def _names(paths: list[str]) -> dict[str, str]:
    """Names for the copies, no two alike: their own, with a number before it where it is taken."""
    names: dict[str, str] = {}
    for path in paths:
        own = Path(path).name
        free = (name for name in _numbered(own) if name not in names.values())
        names[path] = next(free)
    return names


def _numbered(name: str) -> Iterator[str]:
    yield name
    for i in count(2):
        yield f"{i}_{name}"


def _rename(tree: Any, names: dict[str, str]) -> None:
    if isinstance(tree, dict):
        if isinstance(tree.get("file"), str):
            tree["file"] = f"{PROFILES}/{names[tree['file']]}"
        tree = list(tree.values())
    if isinstance(tree, list):
        for part in tree:
            _rename(part, names)
