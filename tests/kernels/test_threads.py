"""Work among threads: every block once, works in order, results ahead of time. Exact throughout."""

import threading
from collections.abc import Callable
from itertools import count
from typing import Any

import numpy as np
import pytest

from sim.kernels.threads import WORTH_S, Work, beside, on_threads, share, threads


class Counter:
    """Kernels in Python that take blocks as compiled ones do, and note which, and where."""

    def __init__(self, *blocks: int) -> None:
        self.lock = threading.Lock()
        self.noted: list[tuple[int, int, int]] = []
        self.works = [
            Work(self.kernel, n, WORTH_S, (number,)) for number, n in enumerate(blocks)
        ]

    def kernel(self, queue: Any, number: int) -> None:
        while (block := self.taken(queue)) is not None:
            with self.lock:
                self.noted.append((number, block, threading.get_ident()))

    def taken(self, queue: Any) -> int | None:
        with self.lock:
            at = 1 + queue[0]
            queue[0] += 1
        return int(queue[at]) if at < len(queue) else None


@pytest.mark.parametrize("n_threads", [1, 2, 5])
def test_every_block_of_every_work_is_done_once(n_threads: int) -> None:
    counter = Counter(7, 3, 1)
    with on_threads(n_threads):
        share(*counter.works)
    wanted = [(number, block) for number, n in enumerate((7, 3, 1)) for block in range(n)]
    assert sorted(each[:2] for each in counter.noted) == wanted
    assert len({thread for *_, thread in counter.noted}) <= n_threads


def test_a_thread_begins_the_next_work_when_no_block_of_the_one_before_is_left() -> None:
    """Two threads meet twice: in the last blocks of the first work and in those of the second."""
    meet, order = threading.Barrier(2, timeout=20), count()

    def kernel(queue: Any, seen: list[int]) -> None:
        meet.wait()
        seen.append(next(order))

    first: list[int] = []
    second: list[int] = []
    with on_threads(2):
        share(Work(kernel, 2, WORTH_S, (first,)), Work(kernel, 2, WORTH_S, (second,)))
    assert len(first) == len(second) == 2
    assert max(first) < min(second)


def test_what_a_kernel_raises_on_another_thread_is_raised_here() -> None:
    own = threading.get_ident()
    begun = threading.Event()

    def kernel(queue: Any) -> None:
        if threading.get_ident() == own:
            assert begun.wait(20)
        else:
            begun.set()
            raise ZeroDivisionError

    with on_threads(2), pytest.raises(ZeroDivisionError):
        share(Work(kernel, 2, WORTH_S, ()))


def test_little_work_is_done_on_the_thread_that_has_it() -> None:
    counter = Counter(4)
    with on_threads(2):
        share(counter.works[0]._replace(block_s=0.2 * WORTH_S))
    assert {thread for *_, thread in counter.noted} == {threading.get_ident()}


def where(done: threading.Event) -> tuple[int, int, Any]:
    done.set()
    return threading.get_ident(), threads(), np.geterr()["over"]


def test_with_two_threads_a_result_is_there_before_it_is_asked_for() -> None:
    done = threading.Event()
    with on_threads(2), np.errstate(over="raise"):
        result: Callable[[], Any] = beside(where, done)
    assert done.wait(20)
    thread, own_threads, over = result()
    assert thread != threading.get_ident()
    assert (own_threads, over) == (1, "raise")
    assert result() == (thread, own_threads, over)


def test_with_one_thread_nothing_is_done_before_it_is_asked_for() -> None:
    done = threading.Event()
    with on_threads(1):
        result = beside(where, done)
    assert not done.wait(0.05)
    assert result()[0] == threading.get_ident()


def test_a_result_that_no_thread_has_begun_is_worked_out_here() -> None:
    busy, done = threading.Event(), threading.Event()
    with on_threads(2):
        other = beside(busy.wait, 20)
        result = beside(where, done)
        assert result()[:2] == (threading.get_ident(), 2)
        busy.set()
        assert other()


def test_a_failure_ahead_is_raised_where_the_result_is_asked_for() -> None:
    with on_threads(2):
        result = beside(divmod, 1, 0)
        with pytest.raises(ZeroDivisionError):
            result()
