"""Errors and exit codes: what the user can put right, and what only we can.

The command line prints a `SimError` as one message and exits with its code. Any other exception is
a fault of the program.
"""

import difflib
from collections.abc import Iterable
from typing import Final

MET: Final = 0
"""Done; every limit is met."""
MISSED: Final = 1
"""Done and written; a limit is missed, or the finding is bad."""
REFUSED: Final = 2
"""The input is refused, the surroundings do not allow it, or the user stopped it."""
FAULT: Final = 70
"""A fault of the program (EX_SOFTWARE of the BSD sysexits)."""


class SimError(Exception):
    """Root of the errors that are shown as one message, without a traceback."""

    exit_code = REFUSED


class ScenarioError(SimError, ValueError):
    """The scenario asks for something unknown or impossible."""


class ProfileError(SimError, ValueError):
    """A file of recorded data cannot be used as declared."""


class OutputError(SimError):
    """The result folder cannot be written as asked."""


class Stopped(SimError):
    """The user stopped the program; the message says what is kept."""


class PageFault(SimError):
    """The results are written, but their page could not be drawn: a fault of the program."""

    exit_code = FAULT


class PlugInError(ScenarioError):
    """Code from outside cannot be used, or failed."""


def nearest(name: str, known: Iterable[str]) -> str:
    """Return the hint `did you mean ...` for the known name nearest to `name`, or nothing."""
    close = difflib.get_close_matches(name, list(known), n=1, cutoff=0.5)
    return f' Did you mean "{close[0]}"?' if close else ""
