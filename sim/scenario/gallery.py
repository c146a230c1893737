"""The shipped scenarios, in a checkout or inside an installed package."""

import tomllib
from pathlib import Path
from typing import NamedTuple

from sim.foundations.errors import ScenarioError, nearest
from sim.foundations.files.reading import is_there
from sim.foundations.kinds.outside import GROUPS, named_in

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
    """Return the runnable scenarios, in order of name; the ones only built upon are left out.

    Returns
    -------
    list of GalleryCase
        Name, path and title of each.
    """
    found = []
    for path in sorted(gallery_folder().glob("*.toml")):
        case = _case(path)
        if case is not None:
            found.append(case)
    return found


def _case(path: Path) -> GalleryCase | None:
    """Return the case that a file of the gallery is, or None if it is only built upon."""
    tree = tomllib.loads(path.read_text(encoding="utf-8"))
    if "base" not in tree:
        return None
    return GalleryCase(path.stem, path, tree["title"], named_in(tree, GROUPS))


def find(name_or_path: str) -> Path:
    """Return the scenario file of a path, or of the name of a shipped case.

    Parameters
    ----------
    name_or_path : str
        A file, or a name from `cases`.

    Returns
    -------
    Path
        Of the TOML file.

    Raises
    ------
    ScenarioError
        If there is neither.
    """
    path = Path(name_or_path)
    if is_there(path):
        return path  # whoever reads it says if it is no file
    named = gallery_folder() / f"{path}.toml"
    if path.name == name_or_path and is_there(named) and _case(named) is not None:
        return named
    known = {case.name: case.path for case in cases()}
    if name_or_path in known:
        return known[name_or_path]
    raise ScenarioError(
        f"{name_or_path}: no such file, and no such case in the gallery."
        f"{nearest(path.stem, known)} Known: {', '.join(known)}."
    )
