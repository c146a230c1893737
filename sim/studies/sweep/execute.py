"""Doing the runs: on processes here, on a Dask cluster, or on any other executor."""

import multiprocessing
from collections.abc import Callable, Iterator
from concurrent.futures import (
    FIRST_COMPLETED,
    CancelledError,
    Executor,
    Future,
    ProcessPoolExecutor,
    wait,
)
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from typing import Any, NamedTuple

from sim.studies.sweep import worker
from sim.studies.sweep.errors import SweepError
from sim.studies.sweep.one_run import RunOutcome, one_run
from sim.studies.sweep.plan import Plan
from sim.studies.sweep.store import Store


class Engine(NamedTuple):
    """What does the runs, and how many to hand it at a time."""

    executor: Executor
    capacity: Callable[[], int]


def execute(
    plan: Plan, store: Store, engine: Engine, tell: Callable[[int], None] | None = None
) -> None:
    """Do the runs that the store does not hold yet.

    Parameters
    ----------
    plan : Plan
        All runs.
    store : Store
        Gets each outcome as it comes in.
    engine : Engine
        Any `concurrent.futures.Executor` will do. At most `capacity()` runs are in its hands, so
        that little is lost when it stops.
    tell : callable, optional
        Called with the number of finished runs, those of earlier calls included.

    Raises
    ------
    SweepError
        If a worker died; what was done is kept.
    """
    done = store.done()
    left = iter(run for run in range(plan.n_runs) if run not in done)
    n_done = len(done)
    waiting: dict[Future[RunOutcome], int] = {}
    if tell is not None:
        tell(n_done)
    try:
        while True:
            while len(waiting) < engine.capacity() and (run := next(left, None)) is not None:
                point, seed = plan.of_run(run)
                waiting[engine.executor.submit(one_run, plan.scenarios[point], seed)] = run
            if not waiting:
                return
            for future in wait(waiting, return_when=FIRST_COMPLETED).done:
                store.add(waiting[future], future.result())
                del waiting[future]
                n_done += 1
                if tell is not None:
                    tell(n_done)
    except BrokenProcessPool as exc:
        raise SweepError(
            f"a worker process died (out of memory?); {n_done} of {plan.n_runs} runs are kept "
            "and the same command goes on from there"
        ) from exc
    finally:
        for future in waiting:
            future.cancel()


@contextmanager
def local_processes(workers: int) -> Iterator[Engine]:
    """Give `workers` fresh processes; on an error or an interruption they are ended at once.

    The processes leave Ctrl-C to this one, and end by themselves if this one is killed.
    """
    others = set(multiprocessing.active_children())
    pool = ProcessPoolExecutor(
        workers, mp_context=multiprocessing.get_context("spawn"), initializer=worker.begin
    )
    try:
        with worker.inherited():
            for _ in range(workers):  # each call starts one process
                pool.submit(worker.nothing)
        yield Engine(pool, lambda: workers + 1)
    except BaseException:
        pool.shutdown(wait=False, cancel_futures=True)
        for process in set(multiprocessing.active_children()) - others:
            process.terminate()
        raise
    pool.shutdown()


@contextmanager
def dask_cluster(address: str) -> Iterator[Engine]:
    """Give the workers of a Dask cluster that runs already.

    Its workers need this program installed, and the files of recorded data under the same names.
    Give them one thread each: runs that share a process take turns.

    Raises
    ------
    SweepError
        If the library is missing, or no scheduler answers.
    """
    try:
        from distributed import Client, KilledWorker
        from distributed.comm import CommClosedError
    except ImportError as exc:
        raise SweepError(
            '--dask needs the "cluster" extra: pip install "mirrorloop[cluster]"'
        ) from exc
    try:
        client: Any = Client(address, timeout=10)
    except (OSError, ValueError, TypeError) as exc:
        raise SweepError(f"--dask {address}: no scheduler answers there: {exc}") from exc
    with client:
        try:
            yield Engine(client.get_executor(), lambda: max(2, 2 * sum(client.nthreads().values())))
        except (KilledWorker, CancelledError, CommClosedError) as exc:
            raise SweepError(
                f"--dask {address}: the cluster was lost ({type(exc).__name__}: {exc}); finished "
                "runs are kept and the same command goes on from there"
            ) from exc
