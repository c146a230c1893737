"""Work side by side: in order, no more at a time than asked, nothing left running."""

import threading
import time
from collections.abc import Callable

import numpy as np
import pytest

from sim.kernels.threads import on_threads, threads
from sim.studies.connections.side_by_side import AHEAD, meanwhile, side_by_side


@pytest.mark.parametrize("count", [1, 2, 3])
def test_results_come_in_the_order_of_the_pieces(count):
    late = threading.Event()

    def work(piece: int) -> tuple[int, int]:
        # On several threads, the first piece ends after the second.
        if count > 1 and piece == 0:
            assert late.wait(10.0)
        late.set()
        return piece * piece, threads()

    with on_threads(count):
        found = list(side_by_side(work, range(9)))
    assert [square for square, _ in found] == [n * n for n in range(9)]
    assert {used for _, used in found} == {1}


def test_few_pieces_wait_for_one_who_takes_them():
    begun: list[int] = []
    with on_threads(2):
        results = side_by_side(begun.append, range(100))
        next(results)
        assert len(begun) <= 1 + 2 * AHEAD
        results.close()
    assert len(begun) <= 1 + 2 * AHEAD


def test_a_fault_ends_it():
    def work(piece: int) -> int:
        return 1 // (piece - 3)

    with on_threads(2), pytest.raises(ZeroDivisionError):
        list(side_by_side(work, range(1000)))


@pytest.mark.parametrize("worth", [False, True])
def test_work_done_meanwhile_gives_its_result_or_its_fault(worth):
    def work(go_on: Callable[[], None], a: int, b: int) -> tuple[int, int, str]:
        go_on()
        return a // b, threads(), np.geterr()["over"]

    with on_threads(3), np.errstate(over="raise"), meanwhile(work, 7, 2, worth=worth) as found:
        assert found() == (3, 1 if worth else 3, "raise")
    with pytest.raises(ZeroDivisionError), meanwhile(work, 1, 0, worth=worth) as found:
        found()


def test_work_ends_at_its_next_step_when_nobody_waits_for_it_any_more():
    begun, steps = threading.Event(), []

    def work(go_on: Callable[[], None]) -> None:
        for step in range(1000):
            go_on()
            steps.append(step)
            begun.set()
            time.sleep(0.01)

    with pytest.raises(KeyboardInterrupt), meanwhile(work, worth=True):
        assert begun.wait(10.0)
        raise KeyboardInterrupt
    done = len(steps)
    assert 1 <= done < 1000
    time.sleep(0.03)
    assert len(steps) == done


def test_pieces_go_by_what_is_set_where_they_are_asked_for():
    with on_threads(2), np.errstate(over="raise"):
        assert list(side_by_side(lambda _: np.geterr()["over"], range(5))) == ["raise"] * 5
