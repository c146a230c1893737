"""Errors of a sweep that the user can correct."""

from sim.foundations.errors import SimError


class SweepError(SimError, ValueError):
    """A sweep is asked for in a way that cannot be done, or its store cannot be used."""
