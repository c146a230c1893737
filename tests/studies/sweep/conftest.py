"""One uninterrupted sweep, against which the others are held."""

import pytest

from sim.studies.sweep.execute import execute, local_processes
from sim.studies.sweep.identity import identity_of
from sim.studies.sweep.plan import make_plan
from sim.studies.sweep.store import Store
from sim.studies.sweep.table import make_table, write_csv
from tests.studies.sweep.cases import NAME, QUICK, SEEDS, VARY


@pytest.fixture(scope="session")
def plan():
    return make_plan(NAME, VARY, seeds=SEEDS, overrides=QUICK)


@pytest.fixture(scope="session")
def undisturbed(plan, tmp_path_factory):
    """Return the outcomes and the table's bytes of one worker process left in peace."""
    folder = tmp_path_factory.mktemp("undisturbed")
    told = []
    with Store(folder, identity_of(plan), overwrite=False) as store:
        with local_processes(1) as engine:
            execute(plan, store, engine, told.append)
        outcomes = store.outcomes()
    assert told == list(range(plan.n_runs + 1))
    write_csv(make_table(plan, outcomes), folder / "table.csv")
    return outcomes, (folder / "table.csv").read_bytes()
