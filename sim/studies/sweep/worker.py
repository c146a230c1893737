"""How a worker process begins: one thread, ignores Ctrl-C, and an end with its parent."""

import multiprocessing
import os
import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from multiprocessing import connection

THREADS = ("NUMBA_NUM_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
"""Read once, when numba or a linear algebra library is imported."""


@contextmanager
def inherited() -> Iterator[None]:
    """Set up what processes started meanwhile inherit, then put everything back.

    Both settings must stand before a process's first instruction: its main module may import
    numpy, and Ctrl-C reaches all processes of a terminal at once.
    """
    before = {name: os.environ.get(name) for name in THREADS}
    os.environ.update(dict.fromkeys(THREADS, "1"))
    main = threading.current_thread() is threading.main_thread()
    handler = signal.signal(signal.SIGINT, signal.SIG_IGN) if main else None
    try:
        yield
    finally:
        if main:
            signal.signal(signal.SIGINT, handler)
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


def begin() -> None:
    """Tie this process to its parent."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent.sentinel,), daemon=True).start()


def nothing() -> None:
    """Do nothing; the first call makes a pool start a process."""


def _end_with(sentinel: int) -> None:
    """End this process as soon as its parent is gone, whatever it is doing."""
    connection.wait([sentinel])
    os._exit(1)
