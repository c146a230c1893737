"""The store: what it keeps, what it refuses, and that a part of a run is never in it."""

import errno
import os

import numpy as np
import pytest

from sim.foundations.errors import OutputError
from sim.foundations.files.filing import MARKER, filed
from sim.studies.sweep.errors import SweepError
from sim.studies.sweep.one_run import RunOutcome
from sim.studies.sweep.store import FILE, Store

IDENTITY = {"version": "1", "scenario": "ab", "points": [[1.5], [2]], "seeds": [1, 2]}
DONE = RunOutcome(
    {"pointing.rms_urad": 0.1 + 0.2, "settling.max_ms": None}, ("rms_urad",), None, 1.0
)
FAILED = RunOutcome({}, (), "cannot: 5 \u00b5m\nat all", 0.5)


def opened(folder, identity=IDENTITY, overwrite=False, repair=False):
    return Store(folder, identity, overwrite=overwrite, repair=repair)


def filled(folder, count=3):
    """Keep some runs and return the store's bytes."""
    with opened(folder) as store:
        for run in range(count):
            store.add(run, FAILED if run == 1 else DONE._replace(wall_s=float(run)))
    return (folder / FILE).read_bytes()


def test_outcomes_come_back_as_they_went_in_and_in_order(tmp_path):
    with opened(tmp_path / "new" / "folder") as store:
        store.add(3, DONE)
        store.add(1, FAILED)
    with opened(tmp_path / "new" / "folder") as store:
        assert store.done() == {1, 3}
        assert list(store.outcomes().items()) == [(1, FAILED), (3, DONE)]


@pytest.mark.parametrize(
    ("name", "words"),
    [("n" * 300, "255 bytes at most"), ("a\0b", "NUL"), ("loop", "link that leads nowhere|levels"),
     ("file/below", "Not a directory"), ("n/" * 2500, "File name too long")],
)  # fmt: skip
def test_a_place_that_cannot_be_is_refused(tmp_path, name, words):
    (tmp_path / "file").touch()
    (tmp_path / "loop").symlink_to("loop")
    with pytest.raises(OutputError, match=words):
        opened(tmp_path / name)


def test_a_run_is_kept_once(tmp_path):
    with opened(tmp_path) as store:
        store.add(1, DONE)
        with pytest.raises(ValueError, match="run 1 is kept already"):
            store.add(1, FAILED)
        assert store.outcomes() == {1: DONE}


def test_failed_runs_stay_until_they_are_asked_for_again(tmp_path):
    filled(tmp_path)
    with opened(tmp_path) as store:
        assert store.done() == {0, 1, 2}
        assert store.forget_failed() == 1 and store.done() == {0, 2}
        store.add(1, DONE)
    with opened(tmp_path) as store:
        assert store.outcomes()[1] == DONE and len(store.outcomes()) == 3


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"seeds": [1, 2, 3]}, "seeds: 2 there, 3 asked for"),
        ({"points": [[1.5], [3]]}, r"points: \[\[1.5\], \[2\]\] there, \[\[1.5\], \[3\]\] asked"),
        ({"scenario": "cd"}, "its scenario differs"),
        ({"version": "2"}, 'version: "1" there, "2" asked for'),
        ({"packages": {"numpy": "2"}}, "packages: null there"),
    ],
)
def test_another_plan_is_refused_and_the_store_kept(tmp_path, change, message):
    with opened(tmp_path) as store:
        store.add(0, DONE)
    with pytest.raises(SweepError, match=message):
        opened(tmp_path, IDENTITY | change)
    with opened(tmp_path) as store:
        assert store.done() == {0}


def test_what_differs_inside_a_part_is_named(tmp_path):
    opened(tmp_path, {"packages": {"numpy": "2.0", "scipy": "1"}})._close()
    with pytest.raises(SweepError, match=r"its packages differ \(numpy\)"):
        opened(tmp_path, {"packages": {"numpy": "2.1", "scipy": "1"}})


def test_overwrite_begins_anew_and_leaves_other_files(tmp_path):
    filled(tmp_path)
    (tmp_path / "table.csv").write_text("old")
    (tmp_path / "letter.txt").write_text("dear")
    with opened(tmp_path, IDENTITY | {"seeds": [9]}, overwrite=True) as store:
        assert store.done() == set()
    assert not (tmp_path / "table.csv").exists() and (tmp_path / "letter.txt").exists()


@pytest.mark.parametrize("overwrite", [False, True])
def test_two_sweeps_cannot_share_a_store(tmp_path, overwrite):
    before = filled(tmp_path)
    with opened(tmp_path), pytest.raises(SweepError, match="in use by another sweep"):
        opened(tmp_path, overwrite=overwrite)
    assert (tmp_path / FILE).read_bytes() == before


def test_other_folders_are_left_alone(tmp_path):
    (tmp_path / "letter.txt").write_text("dear")
    with filed(tmp_path / "run", kind="run", overwrite=False):
        pass
    for overwrite in (False, True):
        with pytest.raises(OutputError, match="is not a folder of a sweep; left unchanged"):
            opened(tmp_path, overwrite=overwrite)
        with pytest.raises(OutputError, match=r"another kind \(run, not sweep\)"):
            opened(tmp_path / "run", overwrite=overwrite)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["letter.txt", "run"]
    (tmp_path / "file").write_text("")
    with pytest.raises(OutputError, match="exists and is not a folder"):
        opened(tmp_path / "file")


def test_a_kill_before_the_marker_does_no_harm(tmp_path):
    filled(tmp_path)
    (tmp_path / MARKER).unlink()
    with opened(tmp_path) as store:
        assert store.done() == {0, 1, 2}


@pytest.mark.parametrize("content", [b"not a store\n" * 50, b"\0" * 4096, b"\n\n"])
def test_a_file_that_is_no_store_is_refused(tmp_path, content):
    filled(tmp_path)
    (tmp_path / FILE).write_bytes(content)
    with pytest.raises(SweepError, match="is damaged, or not the store of this sweep"):
        opened(tmp_path)
    assert (tmp_path / FILE).read_bytes() == content


def test_a_cut_off_line_was_never_kept(tmp_path):
    whole = filled(tmp_path)
    third = whole.rfind(b"\n", 0, -1) + 1
    for end in range(third, len(whole)):
        (tmp_path / FILE).write_bytes(whole[:end])
        with opened(tmp_path) as store:
            assert store.done() == {0, 1}
            store.add(2, DONE._replace(wall_s=2.0))
        assert (tmp_path / FILE).read_bytes() == whole


def test_every_changed_bit_is_found_and_the_other_runs_are_saved(tmp_path):
    # Every byte of a store of three runs, one bit of each in turn: never another outcome.
    whole = filled(tmp_path)
    with opened(tmp_path) as store:
        expected = store.outcomes()
    for place in range(len(whole)):
        changed = bytearray(whole)
        changed[place] ^= 1 << (place % 8)
        (tmp_path / FILE).write_bytes(changed)
        try:
            with opened(tmp_path) as store:
                found = store.outcomes()
            assert place == len(whole) - 1 and found == {r: expected[r] for r in (0, 1)}
        except SweepError as exc:
            assert "is damaged" in str(exc) and "--repair" in str(exc)
            assert (tmp_path / FILE).read_bytes() == changed
            with opened(tmp_path, repair=True) as store:
                saved = store.outcomes()
            assert len(saved) >= 1 and saved.items() <= expected.items()
            with opened(tmp_path) as store:
                assert store.outcomes() == saved


def test_a_full_device_loses_no_earlier_run(tmp_path, monkeypatch):
    whole = filled(tmp_path, 2)
    write = os.write

    def half(descriptor, data):
        if len(data) < 60:
            raise OSError(errno.ENOSPC, "No space left on device")
        return write(descriptor, data[: len(data) // 2])

    with opened(tmp_path) as store:
        monkeypatch.setattr(os, "write", half)
        with pytest.raises(OutputError, match="No space left on device. Kept: 2 runs and"):
            store.add(2, DONE)
    monkeypatch.undo()
    assert (tmp_path / FILE).read_bytes() == whole


def test_a_figure_that_is_no_number_cannot_be_kept(tmp_path):
    with opened(tmp_path) as store, pytest.raises(ValueError):
        store.add(0, DONE._replace(figures={"pointing.rms_urad": np.inf}))
