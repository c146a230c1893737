"""Whose fault it is: the scenario's file before what is found wrong in it."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sim.errors import ScenarioError


@contextmanager
def naming(path: Path) -> Iterator[None]:
    """Put the scenario's file before the faults that are found when its parts are made."""
    try:
        yield
    except ScenarioError as exc:
        text = str(exc)
        raise exc if text.startswith(str(path)) else ScenarioError(f"{path}: {text}") from exc
