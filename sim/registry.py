"""From a name in a scenario to the part it stands for."""

import difflib
from collections.abc import Iterable, Mapping
from importlib import import_module
from typing import Any, TypeVar

from sim.errors import ScenarioError

T = TypeVar("T")


def nearest(name: str, known: Iterable[str]) -> str:
    """Return the hint `did you mean ...` for the known name nearest to `name`, or nothing."""
    close = difflib.get_close_matches(name, list(known), n=1, cutoff=0.5)
    return f' Did you mean "{close[0]}"?' if close else ""


def resolve(name: str, known: Mapping[str, T], *, what: str) -> T | Any:
    """Look `name` up in `known`, or import it if it is written "package.module:Name".

    Parameters
    ----------
    name : str
        A shipped name, or the import path of an outside part. Importing runs its code.
    known : mapping of str to T
        The shipped parts of this family.
    what : str
        The family in words, for the message.

    Returns
    -------
    T
        The part itself.

    Raises
    ------
    ScenarioError
        If the name is unknown or cannot be imported.
    """
    if name in known:
        return known[name]
    if ":" in name:
        module, _, attribute = name.partition(":")
        try:
            return getattr(import_module(module), attribute)
        except (ImportError, AttributeError) as exc:
            raise ScenarioError(f'{what} "{name}" cannot be imported: {exc}') from exc
    raise ScenarioError(
        f'unknown {what} "{name}".{nearest(name, known)} Known: {", ".join(sorted(known))}.'
    )
