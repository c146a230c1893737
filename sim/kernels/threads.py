"""Work shared among threads: each takes the next block that is not begun.

Kernels run without the interpreter's lock, so plain threads will do, and nothing about the process
needs to be set. Which thread takes which block changes no bit. A thread that is held up, since
others use its processor too, takes fewer blocks.
"""

import os
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor, wait
from contextlib import contextmanager
from contextvars import ContextVar, copy_context
from functools import cache, partial
from typing import Any, TypeVar

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


def share(kernel: Callable[..., None], blocks: int, block_s: float, *args: Any) -> None:
    """Call `kernel(queue, *args)` on as many threads as there are, and as there is work for.

    `block_s` is about what a block takes, to the order of magnitude. The kernel takes blocks with
    `sim.kernels.compiled.blocks.next_block` until there are no more.
    """
    count = worth(blocks, blocks * block_s)
    queue = np.concatenate([[0], spread_out(blocks, count)])
    on_each_thread(count, lambda: kernel(queue, *args))


def worth(blocks: int, work_s: float) -> int:
    """Return how many threads work is worth, of which so many blocks can go side by side."""
    return min(threads(), blocks) if work_s > WORTH_S else 1


def on_each_thread(count: int, take_part: Callable[[], None]) -> None:
    """Call a function on so many threads at once, the present one among them.

    None is still at it when this ends, whatever is raised on any of them: what the present one
    raises is raised, else what the first of the others does.
    """
    helping: list[Future[None]] = []
    try:
        for _ in range(count - 1):
            helping.append(_pool(count - 1).submit(take_part))
        take_part()
    finally:
        begun = [each for each in helping if not each.cancel()]
        wait(begun)
    for each in begun:
        each.result()


def spread_out(blocks: int, count: int) -> NDArray[np.int64]:
    """Return the order in which blocks are taken by so many threads.

    Those that follow each other lie far apart in memory: threads that write to neighbours at the
    same time would wait for each other, since the lines of a processor's cache reach across them.
    """
    order = np.empty(blocks, np.int64)
    for thread in range(count):
        order[thread::count] = np.arange(*_part(thread, count, blocks))
    return order


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
