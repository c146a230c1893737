"""The shipped scenarios, in a checkout or inside an installed package."""

import tomllib
from pathlib import Path
from typing import NamedTuple

from sim.foundations.errors import ScenarioError, nearest
from sim.foundations.files.reading import is_there
from sim.foundations.kinds.outside import named_in
from sim.foundations.kinds.registry import GROUPS

HERE = Path(__file__).parent


class GalleryCase(NamedTuple):
    """One scenario of the gallery."""

    name: str
    path: Path
    title: str
    outside: tuple[str, ...] = ()
    """Kinds that it names and that do not come with mirrorloop."""


def gallery_folder() -> Path:
    """Return the folder of the shipped scenarios."""
    installed = HERE / "cases"
    return installed if installed.is_dir() else HERE.parents[1] / "scenarios"


def cases() -> list[GalleryCase]:
    """Return the runnable scenarios, in order of name; the ones only built upon are left out."""
    found = []
    for path in sorted(gallery_folder().glob("*.toml")):
        tree = tomllib.loads(path.read_text(encoding="utf-8"))
        if "base" in tree:
            outside = named_in(tree, GROUPS)
            found.append(GalleryCase(path.stem, path, tree["title"], outside))
    return found


def find(name_or_path: str) -> Path:
    """Return the scenario file of a path, or of the name of a shipped case.

    Raises
    ------
    ScenarioError
        If there is neither.
    """
    path = Path(name_or_path)
    if is_there(path):
        return path  # whoever reads it says if it is no file
    known = {case.name: case.path for case in cases()}
    if name_or_path in known:
        return known[name_or_path]
    raise ScenarioError(
        f"{name_or_path}: no such file, and no such case in the gallery."
        f"{nearest(path.stem, known)} Known: {', '.join(known)}."
    )
