"""The same table whatever does the runs, in whatever order, and however often it is stopped."""

import os
import re
import signal
import subprocess
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from sim.studies.sweep import worker
from sim.studies.sweep.errors import SweepError
from sim.studies.sweep.execute import Engine, dask_cluster, execute, local_processes
from sim.studies.sweep.store import FILE, Store
from sim.studies.sweep.table import make_table, write_csv
from tests.studies.sweep.cases import RUNS, command, environment

ROW = b'"settling.max_ms"'
"""Stands once in every kept run."""


def table_of(plan, folder, engine):
    with Store(folder, plan.identity(), overwrite=False) as store:
        with engine as ready:
            execute(plan, store, ready)
        table = make_table(plan, store.outcomes())
    write_csv(table, folder / "table.csv")
    return (folder / "table.csv").read_bytes()


def begun(folder):
    """Start the sweep as a command of its own, and return once two runs are kept."""
    process = subprocess.Popen(
        command(folder, "--workers", "1"), env=environment(), stderr=subprocess.PIPE,
        stdout=subprocess.PIPE, text=True, start_new_session=True,
    )  # fmt: skip
    until = time.monotonic() + 120
    while kept(folder) < 2:
        assert process.poll() is None and time.monotonic() < until, process.communicate()
        time.sleep(0.005)
    return process


def kept(folder):
    path = folder / FILE
    return path.read_bytes().count(ROW) if path.exists() else 0


def is_gone(pid):
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")")[-1].split()[0] == "Z"
    except OSError:
        return True


def test_a_killed_sweep_goes_on_and_ends_with_the_same_table(plan, undisturbed, tmp_path):
    process = begun(tmp_path)
    pid = process.pid
    children = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
    os.kill(pid, signal.SIGKILL)
    process.wait()
    process.stdout.close()
    process.stderr.close()
    assert process.returncode == -signal.SIGKILL
    with Store(tmp_path, plan.identity(), overwrite=False) as store:
        before = store.outcomes()
    # One less than was seen in the file if the kill fell into a transaction: it was undone whole.
    assert 1 <= len(before) < RUNS
    assert children
    until = time.monotonic() + 20
    while not all(map(is_gone, children)):  # workers end with their parent
        assert time.monotonic() < until
        time.sleep(0.05)

    after = subprocess.run(command(tmp_path), env=environment(), capture_output=True, text=True)
    assert after.returncode == 0, after.stderr
    assert f"{len(before)} of {RUNS} runs" in after.stderr
    assert f"{RUNS} of {RUNS} runs, done" in after.stderr
    assert (tmp_path / "table.csv").read_bytes() == undisturbed[1]
    with Store(tmp_path, plan.identity(), overwrite=False) as store:
        again = store.outcomes()
    # The runs that were kept were not done again: even their wall times are the same.
    assert {run: again[run] for run in before} == before


def test_ctrl_c_stops_cleanly_and_says_how_to_go_on(tmp_path):
    process = begun(tmp_path)
    os.killpg(process.pid, signal.SIGINT)  # as a terminal does: to the workers too
    out, err = process.communicate(timeout=60)
    assert process.returncode == 2
    found = re.search(r"stopped: (\d+) of 16 runs are done and kept; the same command goes on", err)
    assert found and 1 <= int(found[1]) < RUNS and int(found[1]) == kept(tmp_path)
    assert "Traceback" not in err
    assert out == "" and not (tmp_path / "table.csv").exists()


def test_two_workers_give_the_same_table(plan, undisturbed, tmp_path):
    assert table_of(plan, tmp_path, local_processes(2)) == undisturbed[1]


def test_dask_workers_give_the_same_table(plan, undisturbed, tmp_path):
    distributed = pytest.importorskip(
        "distributed", reason='needs Dask: pip install "mirrorloop[cluster]"'
    )
    cluster = distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
    )
    with cluster:
        assert table_of(plan, tmp_path, dask_cluster(cluster.scheduler_address)) == undisturbed[1]


def test_any_executor_will_do_and_order_does_not_matter(plan, undisturbed, tmp_path):
    def backwards(store):
        with ThreadPoolExecutor(2) as threads:
            execute(plan, store, Engine(threads, lambda: 3))

    from sim.studies.sweep.one_run import one_run

    with Store(tmp_path, plan.identity(), overwrite=False) as store:
        for run in (15, 3, 8):
            point, seed = plan.of_run(run)
            store.add(run, one_run(plan.scenarios[point], seed))
        backwards(store)
        write_csv(make_table(plan, store.outcomes()), tmp_path / "table.csv")
    assert (tmp_path / "table.csv").read_bytes() == undisturbed[1]


def test_no_scheduler_at_the_address():
    pytest.importorskip("distributed", reason='needs Dask: pip install "mirrorloop[cluster]"')
    with pytest.raises(SweepError, match="--dask nowhere://x: no scheduler answers there"):
        with dask_cluster("nowhere://x"):
            pass


def test_dask_missing_is_said_in_one_line(monkeypatch):
    monkeypatch.setitem(__import__("sys").modules, "distributed", None)
    with pytest.raises(SweepError, match=r"--dask needs the \"cluster\" extra: pip install"):
        with dask_cluster("tcp://127.0.0.1:1"):
            pass


def test_a_worker_that_dies_is_reported_and_what_was_done_is_kept(plan, tmp_path):
    class Dying:
        """An engine whose second run takes its process down."""

        def __init__(self, pool):
            self.pool, self.calls = pool, 0

        def submit(self, function, *args):
            self.calls += 1
            return self.pool.submit(os._exit, 1) if self.calls == 2 else self.pool.submit(
                function, *args
            )  # fmt: skip

    with Store(tmp_path, plan.identity(), overwrite=False) as store:
        with pytest.raises(SweepError, match="a worker process died .* 1 of 16 runs are kept"):
            with local_processes(1) as engine:
                execute(plan, store, Engine(Dying(engine.executor), lambda: 1))
        assert store.done() == {0}


def test_workers_have_one_thread_each_and_this_process_keeps_its_own(monkeypatch):
    monkeypatch.setenv("OMP_NUM_THREADS", "7")
    monkeypatch.delenv("MKL_NUM_THREADS", raising=False)
    before = signal.getsignal(signal.SIGINT)
    with local_processes(1) as engine:
        for name in worker.THREADS:
            assert engine.executor.submit(os.getenv, name).result() == "1"
        assert engine.executor.submit(signal.getsignal, signal.SIGINT).result() == signal.SIG_IGN
    assert os.environ["OMP_NUM_THREADS"] == "7" and "MKL_NUM_THREADS" not in os.environ
    assert signal.getsignal(signal.SIGINT) is before
