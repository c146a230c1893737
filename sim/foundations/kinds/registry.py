"""One registry for each family of parts: from the `kind` of a scenario to the part."""

import inspect
from collections.abc import Callable, Iterator, Mapping
from typing import Any, TypeVar

from sim.foundations.errors import PlugInError, ScenarioError, nearest
from sim.foundations.kinds.outside import (
    GROUPS,
    Outside,
    in_one_line,
    is_path,
    load,
    missing_package,
    offers,
)
from sim.foundations.params import Block

T = TypeVar("T")
Methods = Mapping[str, tuple[str, ...]]
"""Name of a method -> the arguments that it is called with."""

class Registry(Mapping[str, T]):
    """A family: its shipped kinds, by name, and what a part from outside must be.

    Parameters
    ----------
    family : str
        One part of it, in words.
    section : str
        Where a scenario names it; says the entry-point group too, see `GROUPS`.
    shipped : mapping
        Name -> part.
    fault : callable
        Returns what keeps a part from being one of the family, or None.
    """

    def __init__(
        self,
        family: str,
        section: str,
        shipped: Mapping[str, T],
        fault: Callable[[Any], str | None],
    ) -> None:
        self.family = family
        self.section = section
        self.group = GROUPS[section]
        self._shipped = dict(shipped)
        self._fault = fault

    def __getitem__(self, name: str) -> T:
        return self._shipped[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._shipped)

    def __len__(self) -> int:
        return len(self._shipped)

    def outside(self, kind: str) -> Outside | None:
        """Return where the code of a kind is, or None if it is a shipped one; runs no code.

        Raises
        ------
        ScenarioError
            If there is no such kind, or a plain name means more than one part.
        """
        if is_path(kind):
            part = Outside(kind, kind, None)
            self._check_place(part)
            return part
        offered = offers(self.group).get(kind, ())
        owners = [f"{offer.target} of {offer.package}" for offer in offered]
        if kind in self._shipped:
            owners.insert(0, f"the shipped {_place(self._shipped[kind])}")
        if len(owners) > 1:
            raise PlugInError(
                f'{self.family} "{kind}" means {len(owners)} parts: {" and ".join(owners)}; a name '
                "must mean one. Remove a package, or have it offer its part under another name"
            )
        if offered:
            return Outside(kind, *offered[0])
        if kind in self._shipped:
            return None
        known = sorted([*self._shipped, *offers(self.group)])
        raise ScenarioError(
            f'unknown {self.family} "{kind}".{nearest(kind, known)} Known: {", ".join(known)}.'
        )

    def find(self, kind: str) -> T | Any:
        """Return the part of a kind; runs its code if it is from outside.

        Raises
        ------
        ScenarioError
            If there is no such kind.
        PlugInError
            If its code cannot be run, or is no part of this family.
        """
        part = self.outside(kind)
        if part is None:
            return self._shipped[kind]
        if part.folder is not None:
            raise PlugInError(
                f'{self.family} "{kind}": firmware in C takes part in runs, as estimator or '
                "controller, and in nothing else"
            )
        found = _loaded(part, f'{self.family} "{kind}"')
        fault = self._fault(found)
        if fault is not None:
            article = "an" if self.family[0] in "aeiou" else "a"
            raise PlugInError(f'"{kind}" is not {article} {self.family}: {fault}')
        return found

    def _check_place(self, part: Outside) -> None:
        what = f'{self.family} "{part.kind}" cannot be loaded'
        if part.folder is not None:
            if not part.folder.is_dir():
                raise PlugInError(f"{what}: there is no such folder")
            return
        if part.file is not None and not part.file.is_file():
            raise PlugInError(f"{what}: there is no such file")
        try:
            package = missing_package(part)
        except (ImportError, ValueError, TypeError, AttributeError) as exc:
            raise PlugInError(f"{what}: {in_one_line(exc)}") from exc
        if package is not None:
            raise PlugInError(f'{what}: there is no package "{package}"')


def _loaded(part: Outside, what: str) -> Any:
    try:
        return load(part)
    except AttributeError as exc:
        name = part.target.rpartition(":")[2]
        if exc.name != name or not inspect.ismodule(exc.obj):
            raise PlugInError(f"{what} cannot be loaded: {in_one_line(exc)}") from exc
        hint = nearest(name, [n for n in dir(exc.obj) if not n.startswith("_")])
        raise PlugInError(f'{what} cannot be loaded: it has no "{name}".{hint}') from exc
    except (Exception, SystemExit) as exc:
        raise PlugInError(f"{what} cannot be loaded: {in_one_line(exc)}") from exc


def class_fault(methods: Methods, world: str) -> Callable[[Any], str | None]:
    """Return a check for parts that are classes, built from settings and other arguments.

    Parameters
    ----------
    methods : mapping
        What they must have, and with which arguments each is called.
    world : str
        What the constructor takes besides `params`.

    Returns
    -------
    callable
        Returns what is wrong with a part in words, or None.
    """

    def fault(part: Any) -> str | None:
        if not isinstance(part, type):
            return f"it is {_a(type(part).__name__)}, not a class"
        missing = [
            f"{name}({', '.join(arguments)})"
            for name, arguments in methods.items()
            if not callable(getattr(part, name, None))
        ]
        if missing:
            return f"it has no {' and no '.join(missing)}"
        lack = params_fault(part)
        if lack is not None:
            return lack
        lack = _call_fault("__init__", part, ("params", world))
        for name, arguments in methods.items():
            method = getattr(part, name)
            own = ("self",) if inspect.isfunction(method) else ()
            lack = lack or _call_fault(name, method, (*own, *arguments))
        return lack

    return fault


def params_fault(part: Any) -> str | None:
    """Return what is wrong with the `Params` of a part, or None."""
    params = getattr(part, "Params", None)
    if params is None:
        return "it has no Params, the block of its settings"
    if not (isinstance(params, type) and issubclass(params, Block)):
        return "its Params is no parameter block (a subclass of mirrorloop.Block)"
    return None


def _call_fault(name: str, function: Any, arguments: tuple[str, ...]) -> str | None:
    try:
        signature = inspect.signature(function)
    except (TypeError, ValueError):
        return None
    try:
        signature.bind(*arguments)
    except TypeError as exc:
        shown = ", ".join(argument for argument in arguments if argument != "self")
        return f"it cannot be called as {name}({shown}): {exc}"
    return None


def _place(part: Any) -> str:
    named = getattr(part, "function", part)
    return f"{named.__module__}:{named.__qualname__}"


def _a(noun: str) -> str:
    return f"{'an' if noun[0] in 'aeiou' else 'a'} {noun}"
