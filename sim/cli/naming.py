"""Whose fault it is: the scenario's file before what is found wrong in it."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sim.errors import ScenarioError


@contextmanager
def naming(path: Path) -> Iterator[None]:
    """Put the scenario's file before the faults that are found when its parts are made.

    A fault in an option starts with the option's name and stays as it is.
    """
    try:
        yield
    except ScenarioError as exc:
        lines = str(exc).splitlines()
        known = (str(path), "--")
        text = "\n".join(x if x.startswith(known) else f"{path}: {x}" for x in lines)
        raise ScenarioError(text) from exc
