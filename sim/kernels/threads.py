"""Work shared among threads: each takes the next block that is not begun.

Kernels run without the interpreter's lock, so plain threads will do, and nothing about the process
needs to be set. Which thread takes which block changes no bit. A thread that is held up, since
others use its processor too, takes fewer blocks.
"""

import os
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from contextvars import ContextVar
from functools import cache
from typing import Any

import numpy as np

BLOCK = 16
"""Mirrors that a thread takes at a time."""


def blocks_of(count: int) -> int:
    """Return how many blocks so many mirrors, connections or windows make."""
    return -(-count // BLOCK)


def available() -> int:
    """Return how many processors this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


_threads: ContextVar[int | None] = ContextVar("threads", default=None)


def threads() -> int:
    """Return how many threads kernels use here; all that there are processors for, if not set."""
    return _threads.get() or available()


@contextmanager
def on_threads(count: int) -> Iterator[None]:
    """Let kernels that are called from the present thread use `count` threads meanwhile.

    Raises
    ------
    ValueError
        If `count` is below one.
    """
    if count < 1:
        raise ValueError(f"count must be at least 1, got {count}")
    before = _threads.set(count)
    try:
        yield
    finally:
        _threads.reset(before)


def share(kernel: Callable[..., None], blocks: int, *args: Any) -> None:
    """Call `kernel(taken, *args)` on as many threads as there are, and as there are blocks for.

    The kernel takes blocks with `sim.kernels.vectors.take` until there are no more.
    """
    taken = np.zeros(1, np.int64)
    others = min(threads(), blocks) - 1
    if others < 1:
        kernel(taken, *args)
        return
    pool = _pool(others)
    helping = [pool.submit(kernel, taken, *args) for _ in range(others)]
    kernel(taken, *args)
    for each in helping:
        if not each.cancel():
            each.result()


@cache
def _pool(others: int) -> ThreadPoolExecutor:
    return ThreadPoolExecutor(others, "kernels")


if hasattr(os, "register_at_fork"):
    os.register_at_fork(after_in_child=_pool.cache_clear)
