"""A sweep from Python: the same plan, store and table as the command's."""

import os
from collections.abc import Callable, Sequence
from pathlib import Path

from sim.studies.sweep.execute import execute, local_processes
from sim.studies.sweep.identity import identity_of
from sim.studies.sweep.plan import check_plan, make_plan
from sim.studies.sweep.store import Store
from sim.studies.sweep.table import SweepTable, make_table, write_csv


def sweep(
    scenario: str | Path,
    vary: Sequence[str],
    folder: str | Path,
    *,
    seeds: int = 1,
    samples: int | None = None,
    design: str | None = None,
    overrides: Sequence[str] = (),
    workers: int | None = None,
    overwrite: bool = False,
    progress: Callable[[int], None] | None = None,
) -> SweepTable:
    """Run one scenario many times, and return a table with one row a run.

    Runs that are done are kept in the folder: the same call goes on where the last one ended.
    Processes are started, so a script must keep its calls behind ``if __name__ == "__main__":``.

    Parameters
    ----------
    scenario : str or Path
        A file, or the name of a shipped case.
    vary : sequence of str
        What to vary, as the command's `--vary` takes it.
    folder : str or Path
        For the runs and table.csv.
    seeds, samples, design, overrides
        As the command's options of these names.
    workers : int, optional
        Processes; as many as there are processors if left out.
    overwrite : bool
        Whether the runs of another sweep in the folder may be deleted.
    progress : callable, optional
        Called with the number of runs done.

    Returns
    -------
    dict
        Column -> values, one for each run.

    Raises
    ------
    SimError
        If the sweep cannot be done as asked.
    """
    plan = make_plan(
        str(scenario), vary, seeds=seeds, samples=samples, design=design, overrides=overrides
    )
    check_plan(plan)
    with Store(Path(folder), identity_of(plan), overwrite=overwrite) as store:
        if len(store.done()) < plan.n_runs:
            with local_processes(workers or os.cpu_count() or 1) as engine:
                execute(plan, store, engine, progress)
        table = make_table(plan, store.outcomes())
    write_csv(table, Path(folder) / "table.csv")
    return table
