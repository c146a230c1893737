"""Work shared among threads: each takes the next block that is not begun.

Kernels run without the interpreter's lock, so plain threads will do, and nothing about the process
needs to be set. Which thread takes which block changes no bit. A thread that is held up, since
others use its processor too, takes fewer blocks.
"""

import os
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from contextvars import ContextVar, copy_context
from functools import cache, partial
from typing import Any, NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

T = TypeVar("T")
BLOCK = 16
"""Mirrors that a thread takes at a time."""
WORTH_S = 300e-6
"""Work that takes less is done on one thread: to wake another takes a good part of that. [s]"""


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


class Work(NamedTuple):
    """Blocks of work, which a kernel takes one after the other."""

    kernel: Callable[..., None]
    """Called as `kernel(queue, *args)`; it takes blocks with
    `sim.kernels.compiled.blocks.next_block` until there are no more."""
    blocks: int
    block_s: float
    """About what a block takes, to the order of magnitude. [s]"""
    args: tuple[Any, ...]


def share(*works: Work) -> None:
    """Do works that do not need each other, on as many threads as there are, and is work for.

    Each thread goes on to the next work when no block of the one before is left to begin: short
    ones at the end keep all of them busy until the longest block is done.

    Blocks that are taken one after the other lie far apart in memory: threads that write to
    neighbours at the same time would wait for each other, since the lines of a processor's cache
    reach across them.
    """
    much = sum(work.blocks * work.block_s for work in works) > WORTH_S
    count = min(threads(), max(work.blocks for work in works)) if much else 1
    queues = [_queue(work.blocks, count) for work in works]

    def take_part() -> None:
        for work, queue in zip(works, queues, strict=True):
            work.kernel(queue, *work.args)

    helping = [_pool(count - 1).submit(take_part) for _ in range(count - 1)]
    take_part()
    for each in helping:
        if not each.cancel():
            each.result()


def _queue(blocks: int, count: int) -> NDArray[np.int64]:
    """Return blocks in the order in which `count` threads take them, behind the number taken."""
    queue = np.zeros(1 + blocks, np.int64)
    for thread in range(count):
        queue[1 + thread :: count] = np.arange(*_part(thread, count, blocks))
    return queue


def beside(function: Callable[..., T], *args: Any) -> Callable[[], T]:
    """Return a call that gives `function(*args)`; it is worked out by then, if a thread is free.

    A thread that is to help with kernels does it first, and the others take more of their blocks.
    With one thread alone, nothing is done before the result is asked for.
    """
    if threads() < 2:
        return partial(function, *args)
    begun = _pool(threads() - 1).submit(copy_context().run, _alone, function, *args)
    return lambda: function(*args) if begun.cancel() else begun.result()


def _alone(function: Callable[..., T], *args: Any) -> T:
    with on_threads(1):
        return function(*args)


def _part(thread: int, count: int, blocks: int) -> tuple[int, int]:
    """Return where the blocks begin and end that a thread would take, were all as quick."""
    size, more = divmod(blocks, count)
    first = thread * size + min(thread, more)
    return first, first + size + (thread < more)


@cache
def _pool(others: int) -> ThreadPoolExecutor:
    return ThreadPoolExecutor(others, "kernels")


if hasattr(os, "register_at_fork"):
    os.register_at_fork(after_in_child=_pool.cache_clear)
