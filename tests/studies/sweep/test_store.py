"""The store: what it keeps, what it refuses, and that a part of a run is never in it."""

import sqlite3

import pytest

from sim.errors import OutputError
from sim.studies.sweep.errors import SweepError
from sim.studies.sweep.one_run import RunOutcome
from sim.studies.sweep.store import FILE, Store

IDENTITY = {"version": "1", "scenario": "ab", "points": [[1.5], [2]], "seeds": [1, 2]}
DONE = RunOutcome(
    {"pointing.rms_urad": 0.1 + 0.2, "settling.max_ms": None}, ("rms_urad",), None, 1.0
)
FAILED = RunOutcome({}, (), "cannot", 0.5)


def opened(folder, identity=IDENTITY, overwrite=False):
    return Store(folder, identity, overwrite=overwrite)


def test_outcomes_come_back_as_they_went_in_and_in_order(tmp_path):
    with opened(tmp_path / "new" / "folder") as store:
        store.add(3, DONE)
        store.add(1, FAILED)
    with opened(tmp_path / "new" / "folder") as store:
        assert store.done() == {1, 3}
        assert list(store.outcomes().items()) == [(1, FAILED), (3, DONE)]


def test_a_run_is_kept_once(tmp_path):
    with opened(tmp_path) as store:
        store.add(1, DONE)
        with pytest.raises(sqlite3.IntegrityError):
            store.add(1, FAILED)
        assert store.outcomes() == {1: DONE}


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"seeds": [1, 2, 3]}, "seeds: 2 there, 3 asked for"),
        ({"points": [[1.5], [3]]}, r"points: \[\[1.5\], \[2\]\] there, \[\[1.5\], \[3\]\] asked"),
        ({"scenario": "cd"}, "its scenario differs"),
        ({"version": "2"}, 'version: "1" there, "2" asked for'),
    ],
)
def test_another_plan_is_refused_and_the_store_kept(tmp_path, change, message):
    with opened(tmp_path) as store:
        store.add(0, DONE)
    with pytest.raises(SweepError, match=message):
        opened(tmp_path, IDENTITY | change)
    with opened(tmp_path) as store:
        assert store.done() == {0}


def test_overwrite_begins_anew(tmp_path):
    with opened(tmp_path) as store:
        store.add(0, DONE)
    (tmp_path / "table.csv").write_text("old")
    with opened(tmp_path, IDENTITY | {"seeds": [9]}, overwrite=True) as store:
        assert store.done() == set()
    assert not (tmp_path / "table.csv").exists()


def test_two_sweeps_cannot_share_a_store(tmp_path):
    with opened(tmp_path), pytest.raises(SweepError, match="in use by another sweep"):
        opened(tmp_path)


def test_other_files_are_left_alone(tmp_path):
    (tmp_path / "letter.txt").write_text("dear")
    for overwrite in (False, True):
        with pytest.raises(OutputError, match="holds something else than a sweep"):
            opened(tmp_path, overwrite=overwrite)
    (tmp_path / "file").write_text("")
    with pytest.raises(OutputError, match="cannot be written"):
        opened(tmp_path / "file")


def test_a_file_that_is_no_store_is_refused(tmp_path):
    (tmp_path / FILE).write_bytes(b"not a database, but long enough to be looked at" * 50)
    with pytest.raises(SweepError, match="is not the store of a sweep"):
        opened(tmp_path)


def test_a_store_of_another_layout_is_refused(tmp_path):
    base = sqlite3.connect(tmp_path / FILE)
    base.execute("CREATE TABLE other (x)")
    base.close()
    with pytest.raises(SweepError, match="is not a store of this version"):
        opened(tmp_path)
