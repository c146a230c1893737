"""A sweep from Python does what the command does, and says the same when it cannot."""

import csv

import pytest

from sim.foundations.errors import SimError
from sim.studies.sweep.run import sweep
from tests.studies.sweep.cases import NAME, QUICK, RUNS, SEEDS, VARY


def test_a_sweep_from_python_files_table_and_page_and_goes_on_from_what_is_done(
    undisturbed, tmp_path
):
    told = []
    done = sweep(
        NAME, VARY, tmp_path, seeds=SEEDS, overrides=QUICK, workers=1,
        progress=lambda *counts: told.append(counts),
    )  # fmt: skip
    assert told[0] == (0, 0, RUNS) and told[-1] == (0, RUNS, RUNS)
    assert (tmp_path / "table.csv").read_bytes() == undisturbed[1]
    assert (tmp_path / "report.html").exists() and not done.failed
    with open(tmp_path / "table.csv", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == RUNS == len(done.table["run"])
    assert len(done.missed) == sum(bool(row["limits_missed"]) for row in rows)
    again = sweep(NAME, VARY, tmp_path, seeds=SEEDS, overrides=QUICK, progress=told.append)
    assert again.table == done.table and told[-1] == (0, RUNS, RUNS)  # nothing was left to do


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"workers": 0}, "workers: must lie between 1 and 256 (got 0)"),
        ({"workers": 2, "cluster": "tcp://x:1"}, "leave out --workers"),
    ],
)
def test_what_cannot_be_done_is_refused_before_anything_is_written(tmp_path, options, words):
    with pytest.raises(SimError) as fault:
        sweep(NAME, VARY, tmp_path / "out", overrides=QUICK, **options)
    assert words in str(fault.value) and not (tmp_path / "out").exists()
