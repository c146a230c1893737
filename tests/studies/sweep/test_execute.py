"""The same table whatever does the runs, in whatever order, and however often it is stopped."""

import os
import re
import signal
import subprocess
import time
from concurrent.futures import Future, ThreadPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from pathlib import Path

import pytest

from sim.foundations.errors import ScenarioError
from sim.studies.sweep import worker
from sim.studies.sweep.errors import SweepError
from sim.studies.sweep.execute import (
    ClusterLost,
    Engine,
    _check_versions,
    dask_cluster,
    execute,
    local_processes,
)
from sim.studies.sweep.identity import identity_of, versions
from sim.studies.sweep.one_run import RunOutcome
from sim.studies.sweep.store import FILE, Store
from sim.studies.sweep.table import make_table, write_csv
from tests.studies.sweep.cases import RUNS, command, environment

ROW = b'"settling.max_ms"'
"""Stands once in every kept run."""


def table_of(plan, folder, engine):
    with Store(folder, identity_of(plan), overwrite=False) as store:
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
    with Store(tmp_path, identity_of(plan), overwrite=False) as store:
        before = store.outcomes()
    # One less than was seen in the file if the kill fell into a transaction: it was undone whole.
    assert 1 <= len(before) < RUNS
    assert children
    until = time.monotonic() + 120  # a busy machine takes its time
    while not all(map(is_gone, children)):  # workers end with their parent
        assert time.monotonic() < until
        time.sleep(0.05)

    after = subprocess.run(command(tmp_path), env=environment(), capture_output=True, text=True)
    missed = any(outcome.limits_missed for outcome in undisturbed[0].values())
    assert after.returncode == int(missed), after.stderr
    assert f"{len(before)} of {RUNS} runs" in after.stderr
    assert f"{RUNS} of {RUNS} runs, done" in after.stderr
    assert (tmp_path / "table.csv").read_bytes() == undisturbed[1]
    with Store(tmp_path, identity_of(plan), overwrite=False) as store:
        again = store.outcomes()
    # The runs that were kept were not done again: even their wall times are the same.
    assert {run: again[run] for run in before} == before


def test_ctrl_c_stops_cleanly_and_says_how_to_go_on(tmp_path):
    process = begun(tmp_path)
    os.killpg(process.pid, signal.SIGINT)  # as a terminal does: to the workers too
    out, err = process.communicate(timeout=60)
    assert process.returncode == 2
    found = re.search(r"stopped: (\d+) of 16 runs done and kept; the same command goes on", err)
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

    with Store(tmp_path, identity_of(plan), overwrite=False) as store:
        for run in (15, 3, 8):
            point, seed = plan.of_run(run)
            store.add(run, one_run(plan.scenarios[point], seed))
        backwards(store)
        write_csv(make_table(plan, store.outcomes()), tmp_path / "table.csv")
    assert (tmp_path / "table.csv").read_bytes() == undisturbed[1]


def test_no_scheduler_at_the_address():
    pytest.importorskip("distributed", reason='needs Dask: pip install "mirrorloop[cluster]"')
    with pytest.raises(SweepError, match="--cluster nowhere://x: no scheduler answers there"):
        with dask_cluster("nowhere://x"):
            pass


def test_dask_missing_is_said_in_one_line(monkeypatch):
    monkeypatch.setitem(__import__("sys").modules, "distributed", None)
    with pytest.raises(SweepError, match=r"--cluster needs the \"cluster\" extra: pip install"):
        with dask_cluster("tcp://127.0.0.1:1"):
            pass


def test_without_another_worker_what_was_done_is_kept(plan, tmp_path):
    class Dying:
        """An engine whose second run takes its process down."""

        def __init__(self, pool):
            self.pool, self.calls = pool, 0

        def submit(self, function, *args):
            self.calls += 1
            return self.pool.submit(os._exit, 1) if self.calls == 2 else self.pool.submit(
                function, *args
            )  # fmt: skip

    with Store(tmp_path, identity_of(plan), overwrite=False) as store:
        with pytest.raises(SweepError, match="a worker process died .* kept: 1 of 16 runs"):
            with local_processes(1) as engine:
                execute(plan, store, Engine(Dying(engine.executor), lambda: 1))
        assert store.done() == {0}


class Deadly:
    """What a pool of processes does if one run always takes its process down."""

    def __init__(self, plan, run):
        point, seed = plan.of_run(run)
        self.deadly = plan.scenarios[point], seed
        self.waiting, self.begun = [], 0

    def renew(self):
        """Return fresh ones."""
        self.waiting, self.begun = [], self.begun + 1
        return self

    def submit(self, function, *args):
        """Take a run; three at a time come to an end together."""
        self.waiting.append(Future())
        future = self.waiting[-1]
        if args == self.deadly:
            for other in self.waiting:
                if not other.done():
                    other.set_exception(BrokenProcessPool("a process ended"))
        elif len(self.waiting) % 3 == 0:
            for other in self.waiting:
                if not other.done():
                    other.set_result(RunOutcome({}, (), None, 0.0))
        elif self.begun > 1:
            future.set_result(RunOutcome({}, (), None, 0.0))
        return future


def test_a_run_that_kills_its_worker_costs_no_other(plan, tmp_path):
    processes = Deadly(plan, 4)
    with Store(tmp_path, identity_of(plan), overwrite=False) as store:
        execute(plan, store, Engine(processes.renew(), lambda: 3, renew=processes.renew))
        outcomes = store.outcomes()
    assert [run for run, outcome in outcomes.items() if outcome.error] == [4]
    assert "its worker process died" in outcomes[4].error
    # Begun three times: at first, after the death amid others, after the death alone.
    assert len(outcomes) == RUNS and processes.begun == 3


def test_whatever_a_run_raises_costs_no_other_nor_the_next_resume(plan, tmp_path, monkeypatch):
    import sim.studies.run.make as module

    bad, real = plan.of_run(3)[1], module.make_run

    def make_run(scenario, **more):
        if scenario.seed == bad and scenario.camera.signal_e == 2000:
            raise ZeroDivisionError("by nothing")
        if scenario.seed == bad:
            raise ScenarioError("figures are not finite")
        return real(scenario, **more)

    monkeypatch.setattr(module, "make_run", make_run)
    with Store(tmp_path, identity_of(plan), overwrite=False) as store:
        with ThreadPoolExecutor(1) as threads:
            execute(plan, store, Engine(threads, lambda: 2))
        outcomes = store.outcomes()
    failed = [run for run, outcome in outcomes.items() if outcome.error]
    assert len(outcomes) == RUNS and failed == [3, 7, 11, 15]
    reason = outcomes[3].error
    assert reason.startswith("fault of the program: ZeroDivisionError: by nothing (test_execute")
    assert outcomes[11].error == "figures are not finite"
    with Store(tmp_path, identity_of(plan), overwrite=False) as store:
        execute(plan, store, Engine(None, lambda: 1))  # nothing is left to do
        table = make_table(plan, store.outcomes())
    assert table["error"][3] == reason


def test_no_worker_is_said_and_not_waited_for_in_silence(plan, tmp_path, monkeypatch):
    monkeypatch.setattr("sim.studies.sweep.execute.PATIENCE_S", 0.05)
    said, futures = [], []

    class Nobody:
        def submit(self, function, *args):
            futures.append(Future())
            return futures[-1]

    def warn(text):
        said.append(text)
        if len(said) == 2:
            futures[0].set_exception(OSError("the scheduler is gone"))

    with Store(tmp_path, identity_of(plan), overwrite=False) as store:
        with pytest.raises(ClusterLost, match="the scheduler is gone"):
            execute(plan, store, Engine(Nobody(), lambda: 2, lambda: 0), warn=warn)
    assert all(line.startswith("no worker for ") for line in said) and len(said) == 2


def test_a_sweep_outlives_the_death_of_its_scheduler(plan, undisturbed, tmp_path):
    distributed = pytest.importorskip(
        "distributed", reason='needs Dask: pip install "mirrorloop[cluster]"'
    )

    def kill(done):
        if done == 4:
            cluster.close()

    cluster = distributed.LocalCluster(
        n_workers=1, threads_per_worker=1, processes=True, dashboard_address=None
    )
    with Store(tmp_path, identity_of(plan), overwrite=False) as store:
        with pytest.raises(SweepError, match="the cluster was lost .* goes on from there"):
            with dask_cluster(cluster.scheduler_address) as engine:
                execute(plan, store, engine, kill)
        assert 4 <= len(store.done()) < RUNS
    assert table_of(plan, tmp_path, local_processes(1)) == undisturbed[1]


def test_workers_with_other_libraries_are_refused(monkeypatch):
    with pytest.raises(SweepError, match="worker tcp://a has numpy 1.0, not"):
        _check_versions("tcp://x", {"tcp://a": versions() | {"numpy": "1.0"}})
    _check_versions("tcp://x", {"tcp://a": versions()})


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
