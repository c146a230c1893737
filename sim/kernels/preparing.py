"""How long it took to compile kernels, or to load them, in this process."""

from collections.abc import Iterator
from contextlib import contextmanager
from threading import RLock
from time import perf_counter

_lock = RLock()
_spent_s = [0.0]


def preparing_s() -> float:
    """Return the time that kernels took to compile or to load so far. [s]"""
    return _spent_s[0]


@contextmanager
def preparing() -> Iterator[None]:
    """Count the time inside; one thread at a time, as compiling is."""
    with _lock:
        began = perf_counter()
        try:
            yield
        finally:
            _spent_s[0] += perf_counter() - began
