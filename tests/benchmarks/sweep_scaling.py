"""Measure what a sweep gains from two workers: `python tests/benchmarks/sweep_scaling.py [RUNS]`.

Not a test: times depend on the machine and on what else it does. The pace is taken from the
moment at which every worker has finished a run, so that starting processes and loading compiled
code are left out; the total with them stands beside it.
"""

import os
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path

from sim.studies.sweep.execute import Engine, dask_cluster, execute, local_processes
from sim.studies.sweep.identity import identity_of
from sim.studies.sweep.plan import make_plan
from sim.studies.sweep.store import Store

SCENARIO = "harrow_point_reconfigure"
OVERRIDES: tuple[str, ...] = ()
WORKERS = 2


def measure(engine: Callable[[], AbstractContextManager[Engine]], runs: int) -> tuple[float, ...]:
    """Return runs per second once warm, the total time, and the runs' own mean time [s]."""
    plan = make_plan(SCENARIO, (), seeds=runs, overrides=OVERRIDES)
    stamps: list[float] = []
    with tempfile.TemporaryDirectory() as folder:
        with Store(Path(folder), identity_of(plan), overwrite=False) as store:
            began = time.perf_counter()
            with engine() as ready:
                execute(plan, store, ready, lambda done: stamps.append(time.perf_counter()))
            total = time.perf_counter() - began
            own = [outcome.wall_s for outcome in store.outcomes().values()]
    warm = stamps[2 * WORKERS :]
    return (len(warm) - 1) / (warm[-1] - warm[0]), total, sum(own[4:]) / len(own[4:])


def main() -> None:
    """Measure one process, two, and two Dask workers; print a table."""
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 24
    cases = {
        "1 process": lambda: local_processes(1),
        f"{WORKERS} processes": lambda: local_processes(WORKERS),
    }
    print(f"{os.cpu_count()} processors, load before {os.getloadavg()[0]:.1f}, {runs} runs each")
    print("| workers | runs per second | mean time of a run [s] | total with start [s] | gain |")
    print("|---|---|---|---|---|")
    base = 0.0
    for name, engine in cases.items():
        base = show(name, measure(engine, runs), base)
    try:
        from distributed import LocalCluster
    except ImportError:
        print("Dask is not installed: its row is left out")
        return
    with LocalCluster(
        n_workers=WORKERS, threads_per_worker=1, processes=True, dashboard_address=None
    ) as cluster:
        found = measure(lambda: dask_cluster(cluster.scheduler_address), runs)
    show(f"{WORKERS} Dask workers", found, base)


def show(name: str, found: tuple[float, ...], base: float) -> float:
    """Print one row; return the pace that gains are against."""
    pace, total, own = found
    base = base or pace
    print(f"| {name} | {pace:.2f} | {own:.3f} | {total:.1f} | {pace / base:.2f} |")
    return base


if __name__ == "__main__":
    main()
