"""Work side by side: in order, no more at a time than asked, nothing left running."""

import threading

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
    with on_threads(3):
        found = meanwhile(lambda a, b: (a - b, threads()), 7, 2, worth=worth)
    assert found() == (5, 3)
    with pytest.raises(ZeroDivisionError):
        meanwhile(lambda: 1 // 0, worth=worth)()
