"""A scenario as it is written: read with what it builds on, merged, overridden."""

import re
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, Final, NamedTuple

from sim.foundations.errors import ScenarioError, nearest
from sim.foundations.files.reading import is_there, read_text
from sim.foundations.kinds.outside import GROUPS, SOURCE, in_full, is_file, is_source
from sim.foundations.params import NONE
from sim.scenario.gallery import gallery_folder

BASE = "base"
DEEPEST = 16
"""Scenarios that build on each other; more is a mistake, and takes longer than it is worth."""
READ: Final = (("mirror", "population"), ("calibration", "results"), ("calibration", "maps"))
"""Sections and keys that name a file, beside those of parts."""
LARGEST_MB = 2.0
"""A scenario; 400 connections listed one by one are 5 kB."""
MOST_LEVELS = 64
"""Levels of tables and lists in a scenario, at the most."""
_QUOTED = re.compile(r"(character|declare|namespace|value) .*?(?= \(at|$)")


def read_tree(path: Path, seen: tuple[Path, ...] = ()) -> dict[str, Any]:
    """Return a scenario file with the one that it builds on underneath.

    Tables are merged key by key, lists and values replaced. Relative names of files have become
    absolute.

    Parameters
    ----------
    path : Path
        A TOML file. Its `base` is a file beside it, or the name of one of the gallery.
    seen : tuple of Path
        Files that led here.

    Raises
    ------
    ScenarioError
        If a file cannot be read, or they build on each other in a circle.
    """
    if len(seen) > DEEPEST:
        raise ScenarioError(f"{path}: scenarios may build on each other {DEEPEST} deep at most")
    text = read_text(path, fault=ScenarioError, largest_mb=LARGEST_MB)
    here = path.resolve()
    if here in seen:
        chain = " -> ".join(p.name for p in (*seen, here))
        raise ScenarioError(f"scenarios build on each other in a circle: {chain}")
    tree = parsed(path, text)
    for named in named_files(tree):
        if named.key == "kind":
            named.table["kind"] = in_full(named.naming(named.path), here.parent)
        else:
            named.table[named.key] = str(here.parent / named.path)
    base = tree.pop(BASE, None)
    if base is None:
        return tree
    if not isinstance(base, str):
        raise ScenarioError(f"{path}: base: must be the name of a scenario file (got {base!r})")
    try:
        under = read_tree(_base_path(path.parent, base), (*seen, here))
    except ScenarioError as exc:
        raise ScenarioError(f"{path}: base: {exc}") from exc
    return merged(under, tree)


def parsed(path: Path, text: str) -> dict[str, Any]:
    """Return the tree of a TOML text; what is wrong is said without quoting it.

    Raises
    ------
    ScenarioError
        If it is not valid TOML, or nested too deep.
    """
    try:
        tree = tomllib.loads(text)
        _check_depth(tree)
        return tree
    except tomllib.TOMLDecodeError as exc:
        rule = _QUOTED.sub(r"\1", str(exc))
        raise ScenarioError(f"{path}: is not valid TOML: {rule}") from exc
    except RecursionError as exc:
        raise ScenarioError(f"{path}: cannot be read: its lists are nested too deep") from exc
    except ValueError as exc:  # a number of thousands of digits
        raise ScenarioError(f"{path}: cannot be read: a number in it is too long") from exc


def _check_depth(tree: Any) -> None:
    """Refuse what is nested deeper than any scenario, however deep Python may go.

    Raises
    ------
    RecursionError
        If it is.
    """
    level = [tree]
    for _ in range(MOST_LEVELS):
        level = [
            below
            for part in level
            if isinstance(part, dict | list)
            for below in (part.values() if isinstance(part, dict) else part)
        ]
        if not level:
            return
    raise RecursionError(f"nested deeper than {MOST_LEVELS}")


def _base_path(folder: Path, name: str) -> Path:
    """The file of that name, or else the one of the gallery."""
    beside = folder / name
    if is_there(beside) or Path(name).name != name:
        return beside
    shipped = {path.stem: path for path in gallery_folder().glob("*.toml")}
    stem = name.removesuffix(".toml")
    if stem in shipped:
        return shipped[stem]
    raise ScenarioError(f"{beside}: cannot be read: no such file.{nearest(stem, shipped)}")


class NamedFile(NamedTuple):
    """A file that a part of a scenario reads, or whose code it runs."""

    table: dict[str, Any]
    """Where it is named."""
    key: str
    path: str
    rest: str
    """What follows the path in the value."""
    before: str = ""
    """What stands before it."""

    def naming(self, path: str) -> str:
        """Return the value that names another path."""
        return self.before + path + self.rest


def named_files(tree: Mapping[str, Any]) -> Iterator[NamedFile]:
    """Yield every file that the parts of a scenario name, at any depth; code files too."""
    for table in part_tables(tree):
        if isinstance(table.get("file"), str):
            yield NamedFile(table, "file", table["file"], "")
        kind = table.get("kind")
        if isinstance(kind, str) and is_file(kind):
            place, colon, name = kind.rpartition(":")
            yield NamedFile(table, "kind", place, colon + name)
        elif isinstance(kind, str) and is_source(kind):
            yield NamedFile(table, "kind", kind.removeprefix(SOURCE), "", SOURCE)
    for section, key in READ:
        block = tree.get(section)
        file = block.get(key) if isinstance(block, dict) else None
        if isinstance(block, dict) and isinstance(file, str) and file != NONE:
            yield NamedFile(block, key, file, "")


def part_tables(tree: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    """Yield every table, at any depth, of the parts that a scenario names."""
    parts: list[Any] = [tree[section] for section in GROUPS if section in tree]
    while parts:
        part = parts.pop(0)
        if isinstance(part, dict):
            yield part
            parts = [*part.values(), *parts]
        elif isinstance(part, list):
            parts = [*part, *parts]


def merged(under: dict[str, Any], over: dict[str, Any]) -> dict[str, Any]:
    """Return `under` with `over` on top; a table of another `kind` replaces the whole table."""
    both = dict(under)
    for key, value in over.items():
        old = both.get(key)
        if isinstance(old, dict) and isinstance(value, dict):
            same_kind = value.get("kind", old.get("kind")) == old.get("kind")
            both[key] = merged(old, value) if same_kind else value
        else:
            both[key] = value
    return both


def override(tree: dict[str, Any], text: str) -> None:
    """Put one "key.key=value" into a tree; another `kind` takes the old one's settings away.

    Raises
    ------
    ScenarioError
        If it cannot be read, or leads nowhere.
    """
    key, equals, value = text.partition("=")
    if not equals or not key.strip():
        raise ScenarioError(f'--set needs "key=value" (got {text!r})')
    try:
        parsed = tomllib.loads(f"value = {value.strip()}")["value"]
        _check_depth(parsed)
    except tomllib.TOMLDecodeError:
        parsed = value.strip()
    except (RecursionError, ValueError) as exc:
        raise ScenarioError(f"--set {text[:40]}...: is nested too deep, or too long") from exc
    *path, last = key.strip().split(".")
    at: Any = tree
    for part in path:
        at = _inside(at, part, text)
    if isinstance(at, list):
        _inside(at, last, text)
        at[int(last)] = parsed
    elif isinstance(at, dict):
        if last == "kind" and isinstance(parsed, str):
            parsed = in_full(parsed, Path())  # as the shell that it was typed in counts it
        if last == "kind" and at.get("kind") != parsed:
            at.clear()  # another part does not understand the old one's settings
        at[last] = parsed
    else:
        raise ScenarioError(f'--set {text}: "{path[-1]}" is a single value, nothing is inside it')


def _inside(at: Any, part: str, text: str) -> Any:
    if isinstance(at, dict):
        return at.setdefault(part, {})
    if isinstance(at, list):
        if part.isdecimal() and len(part) < 9 and int(part) < len(at):
            return at[int(part)]
        raise ScenarioError(f'--set {text}: "{part}" must be a number below {len(at)}')
    raise ScenarioError(f'--set {text}: "{part}" is inside a single value')
