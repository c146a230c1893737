"""Doing the runs: on processes here, on a Dask cluster, or on any other executor."""

import multiprocessing
import time
from collections.abc import Callable, Iterator, Sequence
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
from typing import Any, NamedTuple, Protocol

from sim.foundations.files.text import counted
from sim.studies.sweep import worker
from sim.studies.sweep.errors import SweepError
from sim.studies.sweep.identity import versions
from sim.studies.sweep.one_run import RunOutcome, failed, one_run
from sim.studies.sweep.store import Store

PATIENCE_S = 15.0
"""After so long without a worker, that is said; then after twice as long, and so on."""
DIED = "its worker process died (out of memory?)"


class ClusterLost(Exception):
    """What does the runs is gone; what it had not finished is not done."""


Job = Callable[[str, int], RunOutcome]
"""Does one run of a scenario's text and a seed; it raises nothing."""


class Runs(Protocol):
    """What is to be done."""

    @property
    def n_runs(self) -> int:
        """How many runs."""
        ...

    @property
    def scenarios(self) -> Sequence[str]:
        """A text for each point that the job understands."""
        ...

    def of_run(self, run: int) -> tuple[int, int]:
        """Return the point and the seed of a run."""
        ...


class Engine(NamedTuple):
    """What does the runs, and how many to hand it at a time."""

    executor: Executor
    capacity: Callable[[], int]
    workers: Callable[[], int] = lambda: 1
    """How many there are now; with none, nothing happens."""
    renew: Callable[[], Executor] | None = None
    """Gives a fresh executor after a worker has died; without it the sweep stops then."""


def execute(
    plan: Runs,
    store: Store,
    engine: Engine,
    tell: Callable[[int], None] | None = None,
    warn: Callable[[str], None] | None = None,
    job: Job = one_run,
) -> None:
    """Do the runs that the store does not hold yet.

    A run that cannot be done, whatever happens in it, is kept as failed with its reason. If a
    worker dies, the runs that it and its fellows had are done again one at a time, and one that
    brings down its worker once more has failed.

    Parameters
    ----------
    plan : Runs
        All runs.
    store : Store
        Gets each outcome as it comes in.
    engine : Engine
        Any `concurrent.futures.Executor` will do. At most `capacity()` runs are in its hands, so
        that little is lost when it stops.
    tell : callable, optional
        Called with the number of finished runs, those of earlier calls included.
    warn : callable, optional
        Called with a line of text if there is no worker for a while.
    job : callable
        Does one run; a function of a module, so that workers find it.

    Raises
    ------
    SweepError
        If a worker died and there can be no other; what was done is kept.
    ClusterLost
        If the executor gives up runs by itself.
    """
    done = store.done()
    left = [run for run in range(plan.n_runs) if run not in done][::-1]
    work = _Work(plan, engine.executor, job)
    silence = _Silence(engine.workers, warn)
    count = len(done)
    alone = 0
    """Runs to do one at a time, since one of them may be the one that a worker died of."""
    if tell is not None:
        tell(count)
    try:
        while left or work.waiting:
            while left and len(work.waiting) < (1 if alone else engine.capacity()):
                work.begin(left.pop())
            for run, outcome in work.finished(silence):
                if outcome is None:
                    back = [run, *work.give_up()]
                    if engine.renew is None:
                        raise SweepError(
                            f"a worker process died (out of memory?); kept: {count} of "
                            f"{counted(plan.n_runs, 'run')} and the same command goes on from there"
                        )
                    work.executor = engine.renew()
                    if not alone:
                        left += sorted(back, reverse=True)
                        alone = len(back)
                        break
                    outcome = failed(DIED)
                store.add(run, outcome)
                alone = max(0, alone - 1)
                count += 1
                if tell is not None:
                    tell(count)
    finally:
        work.give_up()


class _Work:
    """The runs that are in an executor's hands."""

    def __init__(self, plan: Runs, executor: Executor, job: Job) -> None:
        self.plan, self.job = plan, job
        self.executor = executor
        self.waiting: dict[Future[RunOutcome], int] = {}

    def begin(self, run: int) -> None:
        point, seed = self.plan.of_run(run)
        try:
            future = self.executor.submit(self.job, self.plan.scenarios[point], seed)
        except BrokenProcessPool as exc:
            future = Future()
            future.set_exception(exc)
        self.waiting[future] = run

    def finished(self, silence: "_Silence") -> Iterator[tuple[int, RunOutcome | None]]:
        """Wait for runs and yield them; None stands for the outcome if a worker died."""
        ready = wait(self.waiting, timeout=PATIENCE_S, return_when=FIRST_COMPLETED).done
        silence.after(bool(ready))
        for future in ready:
            if future not in self.waiting:
                return
            run = self.waiting.pop(future)
            try:
                outcome = future.result()
            except BrokenProcessPool:
                yield run, None
                return
            except (CancelledError, OSError) as exc:  # of the way there: a run raises nothing
                raise ClusterLost(f"{type(exc).__name__}: {exc}") from exc
            except Exception as exc:  # such as KilledWorker of a Dask cluster
                outcome = failed(f"{DIED} {type(exc).__name__}: {exc}")
            yield run, outcome

    def give_up(self) -> list[int]:
        """Take back the runs that are not finished."""
        for future in self.waiting:
            future.cancel()
        runs = list(self.waiting.values())
        self.waiting.clear()
        return runs


class _Silence:
    """Reports that no worker is there to do the work."""

    def __init__(self, workers: Callable[[], int], warn: Callable[[str], None] | None) -> None:
        self.workers, self.warn = workers, warn
        self.since = time.monotonic()
        self.next_s = PATIENCE_S

    def after(self, progress: bool) -> None:
        waited_s = time.monotonic() - self.since
        if progress:
            self.since, self.next_s = time.monotonic(), PATIENCE_S
        elif self.warn is not None and waited_s >= self.next_s and self.workers() == 0:
            self.next_s *= 2
            self.warn(f"no worker for {waited_s:.0f} s; runs wait until one comes")


@contextmanager
def local_processes(workers: int) -> Iterator[Engine]:
    """Give `workers` fresh processes; on an error or an interruption they are ended at once.

    The processes leave Ctrl-C to this one, and end by themselves if this one is killed.
    """
    others = set(multiprocessing.active_children())
    pools: list[ProcessPoolExecutor] = []

    def begin() -> Executor:
        for broken in pools:
            broken.shutdown(wait=False, cancel_futures=True)
        pools[:] = [_pool(workers)]
        return pools[0]

    try:
        yield Engine(begin(), lambda: workers + 1, renew=begin)
    except BaseException:
        for pool in pools:
            pool.shutdown(wait=False, cancel_futures=True)
        for process in set(multiprocessing.active_children()) - others:
            process.terminate()
        raise
    for pool in pools:
        pool.shutdown()


def _pool(workers: int) -> ProcessPoolExecutor:
    pool = ProcessPoolExecutor(
        workers, mp_context=multiprocessing.get_context("spawn"), initializer=worker.begin
    )
    with worker.inherited():
        for _ in range(workers):  # each call starts one process
            pool.submit(worker.nothing)
    return pool


@contextmanager
def dask_cluster(address: str) -> Iterator[Engine]:
    """Give the workers of a Dask cluster that runs already.

    Its workers need this program installed, and the files of recorded data under the same names.
    Give them one thread each: runs that share a process take turns.

    Raises
    ------
    SweepError
        If the library is missing, no scheduler answers, or workers have other libraries.
    """
    try:
        from distributed import Client
    except ImportError as exc:
        raise SweepError(
            '--cluster needs the "cluster" extra: pip install "mirrorloop[cluster]"'
        ) from exc
    try:
        client: Any = Client(address, timeout=10)
    except (OSError, ValueError, TypeError) as exc:
        raise SweepError(f"--cluster {address}: no scheduler answers there: {exc}") from exc
    with client:

        def workers() -> int:
            return sum(client.nthreads().values()) if client.status == "running" else 0

        try:
            _check_versions(address, client.run(versions))
            yield Engine(client.get_executor(), lambda: max(2, 2 * workers()), workers)
        except ClusterLost as exc:
            raise SweepError(
                f"--cluster {address}: the cluster was lost ({exc}); finished runs are kept and "
                "the same command goes on from there"
            ) from exc


def _check_versions(address: str, found: dict[str, dict[str, str]]) -> None:
    """Refuse workers whose libraries may give other figures."""
    here = versions()
    for name, there in sorted(found.items()):
        for package, version in here.items():
            if there.get(package) != version:
                raise SweepError(
                    f"--cluster {address}: worker {name} has {package} {there.get(package)}, not "
                    f"{version}; figures could differ"
                )
