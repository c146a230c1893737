"""A sweep from its plan to its folder: the one way for Python and the command."""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

from sim.foundations.errors import Stopped
from sim.foundations.files.filing import mark, put_page
from sim.foundations.files.parquet import require_parquet
from sim.foundations.files.text import counted
from sim.kernels.threads import available
from sim.studies.run.provenance import NOTHING_ASKED, Request
from sim.studies.sweep import table
from sim.studies.sweep.errors import SweepError
from sim.studies.sweep.execute import Engine, Job, Runs, dask_cluster, execute, local_processes
from sim.studies.sweep.identity import identity_of
from sim.studies.sweep.one_run import RunOutcome, one_run
from sim.studies.sweep.page import page_of
from sim.studies.sweep.plan import SweepPlan, check_plan, make_plan
from sim.studies.sweep.store import KIND, OURS, Store
from sim.studies.sweep.table import SweepTable, make_table

MOST_WORKERS = 256
"""Processes on one machine; more take its memory and gain nothing."""


class Swept(NamedTuple):
    """All runs of a sweep."""

    plan: SweepPlan
    outcomes: Mapping[int, RunOutcome]
    """Run number -> what became of it."""
    table: SweepTable
    """Column -> values, one for each run."""

    @property
    def failed(self) -> list[int]:
        """Runs that could not be done."""
        return [run for run, outcome in self.outcomes.items() if outcome.error is not None]

    @property
    def missed(self) -> list[int]:
        """Runs that missed a limit."""
        return [run for run, outcome in self.outcomes.items() if outcome.limits_missed]


def sweep(
    scenario: str | Path,
    vary: Sequence[str],
    folder: str | Path,
    *,
    seeds: int = 1,
    samples: int | None = None,
    design: str | None = None,
    overrides: Iterable[str] = (),
    workers: int | None = None,
    cluster: str | None = None,
    parquet: bool = False,
    overwrite: bool = False,
    repair: bool = False,
    retry: bool = False,
    progress: Callable[[int, int, int], None] | None = None,
    warn: Callable[[str], None] | None = None,
    asked: Request = NOTHING_ASKED,
) -> Swept:
    """Run one scenario many times, and write table.csv and report.html.

    Runs that are done are kept in the folder: the same call goes on where the last one ended.
    Processes are started, so a script must keep its calls behind ``if __name__ == "__main__":``.

    Parameters
    ----------
    scenario : str or Path
        A file, or the name of a shipped case.
    vary : sequence of str
        What to vary, as the command's `--vary` takes it.
    folder : str or Path
        For the runs, the table and the page.
    seeds, samples, design, overrides
        As the command's options of these names.
    workers : int, optional
        Processes here; one a processor if left out.
    cluster : str, optional
        Address of a Dask cluster that does the runs instead (extra `cluster`).
    parquet : bool
        Whether to write table.parquet too (extra `cluster`).
    overwrite : bool
        Whether the runs of another sweep in the folder may be deleted.
    repair : bool
        Whether to drop what is damaged in the store, and do those runs again.
    retry : bool
        Whether to do the runs again that could not be done.
    progress : callable, optional
        Called with the runs done before this call, the runs done, and all runs.
    warn : callable, optional
        Called with a line of text if there is no worker for a while.
    asked : Request
        What led to it, to be filed.

    Raises
    ------
    SimError
        If the sweep cannot be done as asked; Stopped if it was interrupted.
    """
    check_workers(cluster, workers)
    if parquet:
        require_parquet()
    plan = make_plan(
        str(scenario), vary, seeds=seeds, samples=samples, design=design, overrides=tuple(overrides)
    )
    check_plan(plan)
    place = Path(folder)
    with Store(place, identity_of(plan), overwrite=overwrite, repair=repair) as store:
        with stopping(store, plan):
            outcomes = all_done(
                plan, store, cluster=cluster, workers=workers, retry=retry, progress=progress,
                warn=warn,
            )  # fmt: skip
            columns = make_table(plan, outcomes)
            table.write_csv(columns, place / "table.csv")
            if parquet:
                table.write_parquet(columns, place / "table.parquet")
            put_page(place, lambda: page_of(plan, outcomes, asked))
            mark(place, KIND, OURS)
    return Swept(plan, outcomes, columns)


def check_workers(cluster: str | None, workers: int | None) -> None:
    """Refuse workers that cannot be.

    Raises
    ------
    SweepError
        If both a cluster and a number are given, or the number is out of range.
    """
    if cluster is not None and workers is not None:
        raise SweepError("--cluster: the cluster has its own workers; leave out --workers")
    if workers is not None and not 1 <= workers <= MOST_WORKERS:
        raise SweepError(f"workers: must lie between 1 and {MOST_WORKERS} (got {workers})")


def all_done(
    plan: Runs, store: Store, *, cluster: str | None, workers: int | None, retry: bool,
    progress: Callable[[int, int, int], None] | None, warn: Callable[[str], None] | None,
    job: Job = one_run,
) -> Mapping[int, RunOutcome]:  # fmt: skip
    """Do the runs that are not in the store yet, and return what became of all of them."""
    if retry:
        store.forget_failed()
    begun = len(store.done())
    if begun < plan.n_runs:
        with engine_of(cluster, workers, plan.n_runs - begun) as engine:
            tell = None if progress is None else _told(progress, begun, plan.n_runs)
            execute(plan, store, engine, tell, warn, job=job)
    return store.outcomes()


@contextmanager
def engine_of(cluster: str | None, workers: int | None, left: int) -> Iterator[Engine]:
    """Give what does the runs: a cluster's workers, or processes here."""
    if cluster is not None:
        with dask_cluster(cluster) as engine:
            yield engine
        return
    with local_processes(min(workers or available(), left)) as engine:
        yield engine


@contextmanager
def stopping(store: Store, plan: Runs) -> Iterator[None]:
    """Say what is kept when the user stops."""
    try:
        yield
    except KeyboardInterrupt:
        raise Stopped(
            f"stopped: {len(store.done())} of {counted(plan.n_runs, 'run')} done and kept; "
            "the same command goes on from there"
        ) from None


def _told(
    progress: Callable[[int, int, int], None], begun: int, total: int
) -> Callable[[int], None]:
    return lambda done: progress(begun, done, total)
