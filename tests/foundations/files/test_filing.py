"""Result folders: whole or not at all, and nothing else is ever lost."""

import errno
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

import sim.foundations.files.filing as filing
from sim.foundations.errors import OutputError
from sim.foundations.files.filing import (
    MARKER,
    PAGE_FAULT,
    WORK,
    check_output,
    filed,
    put,
    put_page,
)

ROOT = Path(__file__).parents[3]


def write(place, text, *, kind="run", overwrite=False, more=()):
    with filed(place, kind=kind, overwrite=overwrite) as new:
        (new / "results.json").write_text(text)
        for name in more:
            (new / name).parent.mkdir(exist_ok=True)
            (new / name).write_text("more")


def read(place):
    return (place / "results.json").read_text()


def work_folders(folder):
    return [p.name for p in folder.iterdir() if p.name.startswith(WORK)]


def test_a_folder_is_whole_with_its_marker(tmp_path):
    write(tmp_path / "deep" / "out", "1", more=["profiles/a.csv"])
    marker = json.loads((tmp_path / "deep" / "out" / MARKER).read_text())
    assert (marker["program"], marker["kind"]) == ("mirrorloop", "run")
    assert marker["files"] == ["profiles/a.csv", "results.json"]
    assert not work_folders(tmp_path / "deep")
    umask = os.umask(0)
    os.umask(umask)
    assert (tmp_path / "deep" / "out").stat().st_mode & 0o777 == 0o777 & ~umask


@pytest.mark.parametrize("exchanges", [True, False])
def test_replacing_takes_the_old_one_away(tmp_path, exchanges, monkeypatch):
    if not exchanges:
        monkeypatch.setattr(filing, "_exchanged", lambda one, other: False)
    write(tmp_path / "out", "1", more=["old.csv"])
    with pytest.raises(OutputError, match="already exists, left unchanged. Give --overwrite"):
        write(tmp_path / "out", "2")
    write(tmp_path / "out", "3", overwrite=True)
    assert read(tmp_path / "out") == "3"
    assert not (tmp_path / "out" / "old.csv").exists()
    assert not work_folders(tmp_path)


def test_the_exchange_is_one_step_where_the_system_offers_it(tmp_path):
    for name in "ab":
        (tmp_path / name).mkdir()
        (tmp_path / name / name).write_text("")
    if not filing._exchanged(tmp_path / "a", tmp_path / "b"):
        pytest.skip("this file system cannot exchange")
    assert (tmp_path / "a" / "b").exists() and (tmp_path / "b" / "a").exists()


def strange(folder, what):
    """Make a folder that is not to be replaced."""
    if what == "json beside code":
        folder.mkdir()
        (folder / "settings.json").write_text("{}")
        (folder / "program.py").write_text("")
    elif what == "another kind":
        write(folder, "1", kind="margins")
    elif what == "a letter among the results":
        write(folder, "1")
        (folder / "letter.txt").write_text("dear")
    elif what == "a folder among the results":
        write(folder, "1")
        (folder / "src").mkdir()
        (folder / "src" / "x.py").write_text("")
    elif what == "a marker of another program":
        folder.mkdir()
        (folder / MARKER).write_text('{"program": "other", "files": []}')
    elif what == "a marker that is no marker":
        folder.mkdir()
        (folder / MARKER).write_text("[" * 9)
    else:
        folder.write_text("a file")


@pytest.mark.parametrize(
    "what",
    ["json beside code", "another kind", "a letter among the results",
     "a folder among the results", "a marker of another program", "a marker that is no marker",
     "a file"],
)  # fmt: skip
def test_anything_else_is_refused_and_kept(tmp_path, what):
    place = tmp_path / "out"
    strange(place, what)
    before = sorted((p, p.read_bytes()) for p in tmp_path.rglob("*") if p.is_file())
    for overwrite in (False, True):
        with pytest.raises(OutputError):
            check_output(place, kind="run", overwrite=overwrite)
        with pytest.raises(OutputError):
            write(place, "2", overwrite=overwrite)
    assert sorted((p, p.read_bytes()) for p in tmp_path.rglob("*") if p.is_file()) == before


def test_an_empty_folder_may_be_replaced(tmp_path):
    (tmp_path / "out").mkdir()
    write(tmp_path / "out", "1", overwrite=True)
    assert read(tmp_path / "out") == "1"


def test_a_failure_leaves_the_old_one_and_nothing_else(tmp_path):
    write(tmp_path / "out", "1")
    for failure in (ValueError("no"), KeyboardInterrupt(), OSError(errno.ENOSPC, "No space left")):
        with pytest.raises((ValueError, KeyboardInterrupt, OutputError)) as caught:
            with filed(tmp_path / "out", kind="run", overwrite=True) as new:
                (new / "half").write_text("half")
                raise failure
        if isinstance(failure, OSError):
            assert "cannot be written: No space left" in str(caught.value)
        assert read(tmp_path / "out") == "1" and not work_folders(tmp_path)


def test_what_came_meanwhile_is_kept_and_the_results_too(tmp_path):
    with pytest.raises(OutputError, match="left unchanged.*\n.*results are in .*out-2"):
        with filed(tmp_path / "out", kind="run", overwrite=False) as new:
            (new / "results.json").write_text("mine")
            write(tmp_path / "out", "theirs")
    assert read(tmp_path / "out") == "theirs" and read(tmp_path / "out-2") == "mine"


def test_a_link_is_followed_or_refused_before_the_run(tmp_path):
    (tmp_path / "real").mkdir()
    (tmp_path / "link").symlink_to("real")
    write(tmp_path / "link", "1", overwrite=True)
    assert (tmp_path / "link").is_symlink() and read(tmp_path / "real") == "1"
    (tmp_path / "nowhere").symlink_to("gone")
    with pytest.raises(OutputError, match="leads nowhere"):
        check_output(tmp_path / "nowhere", kind="run", overwrite=True)
    (tmp_path / "loop").symlink_to("loop")
    with pytest.raises(OutputError):
        check_output(tmp_path / "loop", kind="run", overwrite=True)


@pytest.mark.parametrize(
    ("name", "words"),
    [("n" * 300, "255 bytes at most"), ("a\0b", "NUL"), ("file/below", "Not a directory")],
)
def test_impossible_names_are_refused_before_the_run(tmp_path, name, words):
    (tmp_path / "file").write_text("")
    with pytest.raises(OutputError, match=words):
        check_output(tmp_path / name, kind="run", overwrite=False)


def test_the_longest_name_works(tmp_path):
    write(tmp_path / ("n" * 255), "1")
    assert read(tmp_path / ("n" * 255)) == "1"


def test_the_check_leaves_nothing_behind(tmp_path):
    check_output(tmp_path / "a" / "b", kind="run", overwrite=False)
    assert not list(tmp_path.iterdir())


KILLED = """
import os, signal, sys, time
from pathlib import Path
import sim.foundations.files.filing as filing
if sys.argv[2] == "moved":
    filing._exchanged = lambda one, other: False
    rename = os.rename
    def slow(a, b):
        rename(a, b)
        if Path(b).name == "old":
            print("ready", flush=True)
            time.sleep(60)
    os.rename = slow
with filing.filed(Path(sys.argv[1]), kind="run", overwrite=True) as new:
    (new / "results.json").write_text("half")
    if sys.argv[2] == "filling":
        print("ready", flush=True)
        time.sleep(60)
"""


def killed(place, when):
    """Return once a program that files into `place` was killed at that moment."""
    process = started(place, when)
    process.send_signal(signal.SIGKILL)
    process.wait()
    process.stdout.close()


def started(place, when):
    process = subprocess.Popen(
        [sys.executable, "-c", KILLED, str(place), when], stdout=subprocess.PIPE, text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    assert process.stdout.readline() == "ready\n"
    return process


@pytest.mark.parametrize("when", ["filling", "moved"])
def test_leftovers_of_a_killed_program_go_and_the_old_result_stays(tmp_path, when):
    place = tmp_path / "out"
    write(place, "1")
    killed(place, when)
    left = work_folders(tmp_path)
    assert len(left) == 1 and not (tmp_path / left[0] / MARKER).exists()
    check_output(place, kind="run", overwrite=True)
    assert not work_folders(tmp_path) and read(place) == "1"


def test_the_work_of_a_living_program_is_left_alone(tmp_path):
    process = started(tmp_path / "out", "filling")
    check_output(tmp_path / "out", kind="run", overwrite=True)
    assert len(work_folders(tmp_path)) == 1
    process.kill()
    process.wait()
    process.stdout.close()


def test_a_work_folder_that_was_never_locked_goes(tmp_path, monkeypatch):
    work = tmp_path / f"{filing._prefix(tmp_path / 'out')}x"
    work.mkdir()
    check_output(tmp_path / "out", kind="run", overwrite=False)
    assert not work.exists()

    def no_locks(handle, how):
        raise OSError("no locks here")

    monkeypatch.setattr(filing.fcntl, "flock", no_locks)  # then only once it is old
    work.mkdir()
    check_output(tmp_path / "out", kind="run", overwrite=False)
    assert work.exists()
    long_ago = time.time() - 2 * filing.YOUNG_S
    os.utime(work, (long_ago, long_ago))
    check_output(tmp_path / "out", kind="run", overwrite=False)
    assert not work.exists()


def test_looking_whether_a_place_can_be_written_leaves_no_name(tmp_path, monkeypatch):
    made = []
    monkeypatch.setattr(filing.tempfile, "mkdtemp", lambda **_: made.append(1))
    check_output(tmp_path / "a" / "b", kind="run", overwrite=False)
    assert not made and not list(tmp_path.iterdir())


def test_a_file_is_put_whole_or_not_at_all(tmp_path, monkeypatch):
    put(tmp_path / "a", b"1")

    def full(descriptor):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space"):
        put(tmp_path / "a", b"2")
    assert (tmp_path / "a").read_bytes() == b"1" and len(list(tmp_path.iterdir())) == 1


def test_a_page_that_cannot_be_drawn_costs_nothing_else(tmp_path):
    with filed(tmp_path / "out", kind="run", overwrite=False) as new:
        (new / "results.json").write_text("1")
        put_page(new, lambda: [][1])
    assert read(tmp_path / "out") == "1" and not (tmp_path / "out" / "report.html").exists()
    assert "IndexError" in (tmp_path / "out" / PAGE_FAULT).read_text()
