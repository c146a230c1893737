"""Which kernels there are: the compiled ones, or the plain ones where numba cannot be had."""

from functools import cache
from importlib import import_module
from types import ModuleType

NEEDED = ("numba", "llvmlite")


@cache
def installed() -> ModuleType:
    """Return `sim.kernels.compiled`, or `sim.kernels.plain` where numba is not installed.

    The plain kernels are some fifty times slower, and know no exact noise.
    """
    try:
        return import_module("sim.kernels.compiled")
    except ModuleNotFoundError as exc:
        if (exc.name or "").partition(".")[0] not in NEEDED:
            raise
        return import_module("sim.kernels.plain")
