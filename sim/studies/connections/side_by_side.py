"""Pieces of work side by side, a thread for each processor, their results in order."""

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Final, TypeVar

from sim.kernels.threads import on_threads, threads

AHEAD: Final = 2
"""Pieces for each thread that are begun or wait: results that nobody has taken yet are few."""
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
            begun.append(pool.submit(alone, piece))
            if len(begun) >= AHEAD * count:
                yield begun.popleft().result()
        while begun:
            yield begun.popleft().result()
    finally:
        pool.shutdown(cancel_futures=True)
