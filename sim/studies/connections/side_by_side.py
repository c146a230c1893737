"""Work side by side: pieces, a thread for each processor, or one thing while another is done."""

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import CancelledError, Future, ThreadPoolExecutor
from contextlib import contextmanager
from contextvars import copy_context
from threading import Event
from typing import Any, Final, TypeVar

from sim.kernels.threads import on_threads, threads

AHEAD: Final = 2
"""Pieces for each thread that are begun or wait, so that few results are kept at a time."""
Piece = TypeVar("Piece")
Result = TypeVar("Result")


def side_by_side(work: Callable[[Piece], Result], pieces: Iterable[Piece]) -> Iterator[Result]:
    """Yield `work` of each piece, in their order.

    Kernels that a piece calls use one thread: the other processors have pieces of their own. On a
    single processor, one piece after the other.
    """
    count = threads()
    if count < 2:
        yield from map(work, pieces)
        return

    def alone(piece: Piece) -> Result:
        with on_threads(1):
            return work(piece)

    pool = ThreadPoolExecutor(count)
    begun: deque[Future[Result]] = deque()
    try:
        for piece in pieces:
            begun.append(pool.submit(copy_context().run, alone, piece))
            if len(begun) >= AHEAD * count:
                yield begun.popleft().result()
        while begun:
            yield begun.popleft().result()
    finally:
        pool.shutdown(cancel_futures=True)


@contextmanager
def meanwhile(
    work: Callable[..., Result], *args: Any, worth: bool
) -> Iterator[Callable[[], Result]]:
    """Do `work(go_on, *args)` on another thread; yield what waits for it and gives its result.

    The work calls `go_on()` before each of its steps: if what it was begun for has ended, by an
    interrupt or a fault, it ends there. None of it is left running. Kernels that it calls use one
    thread.

    If it is not `worth` another thread, the work is done at once: many small steps, each under the
    interpreter's lock, take longer beside others than after them.
    """
    if not worth:
        found = work(lambda: None, *args)
        yield lambda: found
        return
    given_up = Event()

    def go_on() -> None:
        if given_up.is_set():
            raise CancelledError

    def alone() -> Result:
        with on_threads(1):
            return work(go_on, *args)

    with ThreadPoolExecutor(1) as pool:
        begun = pool.submit(copy_context().run, alone)
        try:
            yield begun.result
        finally:
            given_up.set()
