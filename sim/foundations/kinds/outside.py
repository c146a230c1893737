"""Code from outside: where it is, loading it, and which of it an error came from.

A part of the user's own is named in one of four ways: `package.module:Name`, `file.py:Name`, the
plain name under which an installed package offers it (an entry point), or `c:DIR`, a folder of
firmware in C that is compiled. Only `load`, and the compiler's caller, run it.
"""

import hashlib
import importlib.util
import sys
from collections.abc import Mapping
from functools import cache
from importlib import import_module
from pathlib import Path
from types import ModuleType
from typing import Any, Final, NamedTuple

from sim.foundations.errors import ScenarioError
from sim.foundations.files.reading import read_bytes

OURS: Final = ("sim", "controllers", "mirrorloop")
LARGEST_CODE_MB: Final = 10.0
SOURCE: Final = "c:"
"""Stands before the folder of a firmware in C."""
GROUPS: Final[dict[str, str]] = {
    "estimator": "mirrorloop.estimators",
    "controller": "mirrorloop.controllers",
    "shaping": "mirrorloop.shapers",
    "disturbances": "mirrorloop.disturbances",
    "health.watch": "mirrorloop.watches",
    "events": "mirrorloop.events",
}
"""Section of a scenario -> entry-point group in which packages offer parts for it."""


class Outside(NamedTuple):
    """Where a part from outside is; finding it has run none of its code."""

    kind: str
    """As the scenario names it."""
    target: str
    """`package.module:Name`, `file.py:Name` or `c:DIR`, file and folder in full."""
    package: str | None
    """Name and version of the installed package that offers it under a plain name."""

    @property
    def file(self) -> Path | None:
        """The file, if it is named by one."""
        return Path(self.target.rpartition(":")[0]) if is_file(self.target) else None

    @property
    def folder(self) -> Path | None:
        """The folder of a firmware in C, if it is one."""
        return Path(self.target.removeprefix(SOURCE)) if is_source(self.target) else None

    def words(self) -> str:
        """Say what runs, from where."""
        by = "" if self.package is None else f" ({self.target} of {self.package})"
        return f"runs outside code: {self.kind}{by}"

    def record(self) -> dict[str, str | None]:
        """Return what a result keeps of it; a file by its name alone, not by where it lay."""
        kind = self.kind if self.file is None else Path(self.kind).name
        if self.folder is not None:
            kind = f"{SOURCE}{self.folder.name}"
        return {"kind": kind, "package": self.package, "sha256": self.sha256}

    @property
    def sha256(self) -> str | None:
        """Hash of the file or folder it is in, or None where that is not known before loading."""
        if self.folder is not None:
            return sum_of_sources(self.folder)
        path = self.file
        if path is None:
            module = sys.modules.get(self.target.rpartition(":")[0])
            path = Path(str(getattr(module, "__file__", None)))
        if not path.is_file():
            return None
        return hashlib.sha256(read_bytes(path, fault=ScenarioError)).hexdigest()


class Offer(NamedTuple):
    """A plain name that an installed package offers."""

    target: str
    package: str


_loaded: dict[str, dict[str, Outside]] = {}
"""By the file that the code is in, then by name in it."""


def is_path(kind: str) -> bool:
    """Whether a kind says where its code is, by module or by file."""
    return ":" in kind


def is_file(kind: str) -> bool:
    """Whether a kind names a file of code."""
    return kind.rpartition(":")[0].endswith(".py")


def is_source(kind: str) -> bool:
    """Whether a kind names a folder of firmware in C."""
    return kind.startswith(SOURCE)


def sum_of_sources(folder: Path) -> str:
    """Return a hash over the sources, headers and index of a firmware in C."""
    total = hashlib.sha256()
    for path in sorted(path for path in folder.rglob("*") if path.suffix in (".c", ".h", ".json")):
        if path.is_file():
            total.update(path.relative_to(folder).as_posix().encode() + b"\0")
            total.update(read_bytes(path, fault=ScenarioError, largest_mb=LARGEST_CODE_MB))
    return total.hexdigest()


def in_full(kind: str, folder: Path) -> str:
    """Return `file.py:Name` or `c:DIR` with its place in full, a relative one from a folder."""
    if is_source(kind):
        return f"{SOURCE}{(folder / kind.removeprefix(SOURCE)).resolve()}"
    place, _, name = kind.rpartition(":")
    return f"{(folder / place).resolve()}:{name}" if is_file(kind) else kind


@cache
def offered_parts() -> Any:
    """Return what all installed packages offer; read once, as each has a file of it."""
    from importlib.metadata import entry_points

    return entry_points()


def offers(group: str) -> dict[str, tuple[Offer, ...]]:
    """Return what installed packages offer in an entry-point group, by plain name."""
    found: dict[str, tuple[Offer, ...]] = {}
    for point in offered_parts().select(group=group):
        by = f"{point.dist.name} {point.dist.version}" if point.dist else "an unnamed package"
        offer = Offer(point.value, by)
        if offer not in found.get(point.name, ()):
            found[point.name] = (*found.get(point.name, ()), offer)
    return found


def load(part: Outside) -> Any:
    """Run the code that a part is in, and return the part.

    Raises
    ------
    Exception
        Whatever the code raises; `SystemExit` too, if it exits.
    AttributeError
        If there is no such name in it.
    """
    place, _, name = part.target.rpartition(":")
    module = import_module(place) if part.file is None else _run_file(part.file)
    if part.file is not None or place.partition(".")[0] not in OURS:
        _loaded.setdefault(str(getattr(module, "__file__", place)), {})[name] = part
    return getattr(module, name)


def missing_package(part: Outside) -> str | None:
    """Return the package that a part needs and that is not there, without running any code."""
    if part.file is not None:
        return None
    package = part.target.partition(":")[0].partition(".")[0]
    if package in sys.modules:
        return None
    return None if package and importlib.util.find_spec(package) else package


def named_in(tree: Any, groups: Mapping[str, str]) -> tuple[str, ...]:
    """Return the kinds of outside code that a scenario, as read, names; runs none of it.

    Parameters
    ----------
    tree : dict
        Sections and what they hold.
    groups : mapping
        Section -> entry-point group.
    """
    found = []
    for section, group in groups.items():
        tables = tree.get(section, {})
        for table in tables if isinstance(tables, list) else [tables]:
            kind = table.get("kind") if isinstance(table, dict) else None
            if isinstance(kind, str) and (is_path(kind) or kind in offers(group)):
                found.append(kind)
    return tuple(dict.fromkeys(found))


def culprit(error: BaseException) -> Outside | None:
    """Return the outside part whose code an error came through, or None."""
    found, step = None, error.__traceback__
    while step is not None:
        code = step.tb_frame.f_code
        found = _part_in(code.co_filename, code.co_qualname) or found
        step = step.tb_next
    return found


def in_one_line(error: BaseException) -> str:
    """Return the kind of an error and its text, on one line."""
    text = " ".join(str(error).split())
    return f"{type(error).__name__}: {text}" if text else type(error).__name__


def kind_of(part: Any) -> str:
    """Return how a scenario names a part, or the name of its class if it is not from outside."""
    own = type(part)
    module = sys.modules.get(own.__module__)
    known = _part_in(str(getattr(module, "__file__", None)), own.__qualname__)
    return own.__name__ if known is None else known.kind


def _part_in(file: str, qualified_name: str) -> Outside | None:
    """The part in a file to which a class or function belongs; the last loaded, if none says so."""
    parts = _loaded.get(file)
    if parts is None:
        return None
    return parts.get(qualified_name.partition(".")[0]) or list(parts.values())[-1]


def _run_file(path: Path) -> ModuleType:
    """Run a file as a module of its own: the same text once, leaving nothing beside it."""
    text = read_bytes(path, fault=ScenarioError, largest_mb=LARGEST_CODE_MB)
    name = f"mirrorloop_file_{hashlib.sha256(str(path).encode() + text).hexdigest()[:16]}"
    if name in sys.modules:
        return sys.modules[name]
    code = compile(text, str(path), "exec")
    module = ModuleType(name)
    module.__file__ = str(path)
    sys.modules[name] = module
    try:
        exec(code, module.__dict__)
    except BaseException:
        del sys.modules[name]
        raise
    return module
