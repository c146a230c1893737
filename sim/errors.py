"""Errors that are the user's to mend: the command line prints them and exits with their code."""


class SimError(Exception):
    """Root of the errors that are shown as one message, without a traceback."""

    exit_code = 2


class ScenarioError(SimError, ValueError):
    """The scenario asks for something unknown or impossible."""


class ProfileError(SimError, ValueError):
    """A file of recorded data cannot be used as declared."""


class OutputError(SimError):
    """The result folder cannot be written as asked."""
