"""Whose fault it is: the scenario's file, or an option, before what is found wrong."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from sim.foundations.errors import ScenarioError


@contextmanager
def naming(path: Path, overrides: Sequence[str] = ()) -> Iterator[None]:
    """Put the file, or the `--set` to blame, before faults found when the parts are made.

    A fault in an option starts with the option's name and stays as it is.
    """
    try:
        yield
    except ScenarioError as exc:
        from sim.scenario.check import blame_lines

        raise type(exc)(blame_lines(str(exc), str(path), overrides)) from exc
