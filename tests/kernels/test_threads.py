"""Work among threads: every block once, results ahead of time. All of it is exact."""

import threading
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from sim.kernels.threads import (
    WORTH_S,
    beside,
    on_each_thread,
    on_threads,
    share,
    spread_out,
    threads,
    worth,
)


class Counter:
    """A kernel in Python that takes blocks as compiled ones do, and notes which, and where."""

    def __init__(self) -> None:
        self.lock = threading.Lock()
        self.noted: list[tuple[int, int]] = []

    def kernel(self, queue: Any) -> None:
        while (block := self.taken(queue)) is not None:
            with self.lock:
                self.noted.append((block, threading.get_ident()))

    def taken(self, queue: Any) -> int | None:
        with self.lock:
            at = 1 + queue[0]
            queue[0] += 1
        return int(queue[at]) if at < len(queue) else None


@pytest.mark.parametrize("n_threads", [1, 2, 5])
def test_every_block_is_done_once(n_threads: int) -> None:
    counter = Counter()
    with on_threads(n_threads):
        share(counter.kernel, 7, WORTH_S)
    assert sorted(block for block, _ in counter.noted) == list(range(7))
    assert len({thread for _, thread in counter.noted}) <= n_threads


def test_two_threads_begin_in_different_halves() -> None:
    assert spread_out(7, 2).tolist() == [0, 4, 1, 5, 2, 6, 3]


def test_what_is_raised_on_another_thread_is_raised_here() -> None:
    own, begun = threading.get_ident(), threading.Event()

    def take_part() -> None:
        if threading.get_ident() == own:
            assert begun.wait(20)
        else:
            begun.set()
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        on_each_thread(2, take_part)


def test_all_have_ended_before_what_is_raised_here_goes_on() -> None:
    own, begun, may_end, ended = threading.get_ident(), threading.Event(), threading.Event(), []

    def take_part() -> None:
        if threading.get_ident() == own:
            assert begun.wait(20)
            threading.Timer(0.02, may_end.set).start()
            raise KeyboardInterrupt
        begun.set()
        assert may_end.wait(20)
        ended.append(True)
        raise ZeroDivisionError

    with pytest.raises(KeyboardInterrupt):
        on_each_thread(2, take_part)
    assert ended


def test_little_work_is_done_on_the_thread_that_has_it() -> None:
    with on_threads(2):
        assert worth(4, 0.9 * WORTH_S) == 1
        assert (worth(4, 1.1 * WORTH_S), worth(1, 1.1 * WORTH_S)) == (2, 1)


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
