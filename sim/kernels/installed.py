"""Which kernels there are: the compiled ones, or the plain ones where those cannot be had."""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from functools import cache
from importlib import import_module
from types import ModuleType

from sim.foundations.errors import SimError

NEEDED = ("numba", "llvmlite")
SWITCH = "NUMBA_DISABLE_JIT"
"""Variable of numba that switches compiling off."""


PLAIN = "sim.kernels.plain"
_plain: ContextVar[bool] = ContextVar("plain", default=False)


class KernelsMissing(SimError):
    """Work that only compiled kernels do was asked for, and there are none."""


def installed() -> ModuleType:
    """Return `sim.kernels.compiled`, or `sim.kernels.plain` where it cannot be loaded.

    The plain kernels are some fifty times slower.
    """
    return import_module(PLAIN) if _plain.get() else _found()[0]


@contextmanager
def plain_kernels() -> Iterator[None]:
    """Let `installed` return the plain kernels meanwhile.

    For work so small that loading the compiled ones would take longer.
    """
    before = _plain.set(True)
    try:
        yield
    finally:
        _plain.reset(before)


def why_plain() -> str | None:
    """Return why the kernels are the plain ones; None where they are compiled."""
    return _found()[1]


def compiled_for(what: str) -> ModuleType:
    """Return `sim.kernels.compiled`, for work that has no plain form.

    Raises
    ------
    KernelsMissing
        If the compiled kernels cannot be had, with the reason.
    """
    why = why_plain()
    if why is not None:
        raise KernelsMissing(f"{what} needs the compiled kernels, and {why}")
    return installed()


@cache
def _found() -> tuple[ModuleType, str | None]:
    if os.environ.get(SWITCH, "0").strip() not in ("", "0"):
        return import_module(PLAIN), f"{SWITCH} is set"
    try:
        return import_module("sim.kernels.compiled"), None
    except ModuleNotFoundError as exc:
        missing = (exc.name or "").partition(".")[0]
        if missing not in NEEDED:
            raise
        return import_module(PLAIN), f"{missing} is not installed"
    except Exception as exc:  # a version with other insides, a broken library, a wrong setting
        first = (str(exc).splitlines() or [""])[0]
        why = f"the compiled ones do not load ({type(exc).__name__}: {first})"
        return import_module(PLAIN), why
