"""Folders of results: known by a marker, written whole or not at all, never over something else.

A folder is filled in a work folder beside its place, then put there in one step. The work folder
is locked for as long as its program lives; the next program that files into the same place finds
those whose programs are dead, and removes them.
"""

import ctypes
import errno
import fcntl
import hashlib
import json
import os
import shutil
import tempfile
import time
import traceback
from collections.abc import Callable, Collection, Iterator
from contextlib import ExitStack, contextmanager, suppress
from itertools import count
from pathlib import Path
from typing import Any, BinaryIO

from sim.foundations.errors import OutputError
from sim.foundations.files.reading import read_text

MARKER = "mirrorloop.json"
"""In each folder that this program wrote: what kind of results, by which version, which files."""
PAGE_FAULT = "page-fault.txt"
"""Traceback of a page that could not be drawn."""
WORK = ".mirrorloop-"
LONGEST_NAME = 255
"""Bytes in a file's name on the usual file systems."""
YOUNG_S = 60.0
"""Where folders cannot be locked, a work folder without a lock of its own may be this young: its
program is just making it."""
EXCHANGE = 2
"""RENAME_EXCHANGE of Linux's renameat2(2)."""
HERE_FD = -100
"""AT_FDCWD of Linux: names are looked up as usual."""


@contextmanager
def filed(folder: Path, *, kind: str = "study", overwrite: bool) -> Iterator[Path]:
    """Give a new folder to fill, and put it in its place once it is full.

    Parameters
    ----------
    folder : Path
        Where the results shall stand; a link to a folder stands for that folder.
    kind : str
        What the results are of; an existing folder of another kind is not replaced.
    overwrite : bool
        Whether an existing result folder may be replaced.

    Yields
    ------
    Path
        An empty folder on the same file system. If filling it fails, nothing is left behind.

    Raises
    ------
    OutputError
        If the folder exists and `overwrite` is false, or it cannot be written. If something came
        into its place while it was filled, the message says where the results are instead.
    """
    place = check_output(folder, kind=kind, overwrite=overwrite)
    try:
        place.parent.mkdir(parents=True, exist_ok=True)
        with _work_folder(place) as work:
            new = work / "new"
            new.mkdir()
            yield new
            mark(new, kind)
            _to_disk(new)
            _put_in_place(new, place, work / "old", kind=kind, overwrite=overwrite)
    except OSError as exc:
        name = f" ({exc.filename})" if exc.filename else ""
        raise OutputError(f"{folder}: cannot be written: {exc.strerror or exc}{name}") from exc


def check_output(folder: Path, *, kind: str = "study", overwrite: bool) -> Path:
    """Refuse an output folder that cannot be written, before any work is done for it.

    Leftovers of programs that were killed while they filed into the same place are removed.

    Returns
    -------
    Path
        The place itself, with links followed.

    Raises
    ------
    OutputError
        If it exists and may not be replaced, is not a folder of this kind, or cannot be made.
    """
    place = place_of(folder)
    try:
        _clear_leftovers(place)
        _check_place(folder, place, kind=kind, overwrite=overwrite)
        above = next(path for path in place.parents if path.exists())
        tempfile.TemporaryFile(prefix=WORK, dir=above).close()  # has no name to be left behind
    except OSError as exc:
        raise OutputError(f"{folder}: cannot be written: {exc.strerror}") from exc
    return place


def mark(folder: Path, kind: str, among: Collection[str] | None = None) -> None:
    """Write the marker: the kind of results, the version, and the files that are there now.

    `among` leaves out files of other names.
    """
    from importlib.metadata import version

    found = (p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file())
    names = sorted(name for name in found if among is None or name in among)
    text = json.dumps(
        {
            "program": "mirrorloop",
            "kind": kind,
            "version": version("mirrorloop"),
            "files": names,
        },
        indent=1,
    )
    put(folder / MARKER, text.encode("utf-8"))


def marker(folder: Path) -> dict[str, Any] | None:
    """Return what the folder's marker says; None if it has none that can be read."""
    try:
        found = json.loads(read_text(folder / MARKER, fault=OutputError))
    except (OutputError, ValueError, RecursionError):
        return None
    known = isinstance(found, dict) and found.get("program") == "mirrorloop"
    return found if known and isinstance(found.get("files"), list) else None


def put(path: Path, data: bytes) -> None:
    """Write a file whole or not at all."""
    with putting(path) as file:
        file.write(data)


@contextmanager
def putting(path: Path) -> Iterator[BinaryIO]:
    """Give a file to write to, and put it in its place once it is whole."""
    handle, name = tempfile.mkstemp(prefix=WORK, dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        os.chmod(name, 0o644)
        os.replace(name, path)
    except BaseException:
        os.unlink(name)
        raise


def put_page(folder: Path, draw: Callable[[], str], name: str = "report.html") -> None:
    """Write a page; one that cannot be drawn costs nothing else, its traceback stands instead."""
    try:
        text = draw()
    except Exception:  # whatever is wrong with the page, the figures are right
        put(folder / PAGE_FAULT, traceback.format_exc().encode("utf-8", "backslashreplace"))
        (folder / name).unlink(missing_ok=True)
    else:
        put(folder / name, text.encode("utf-8", "backslashreplace"))
        (folder / PAGE_FAULT).unlink(missing_ok=True)


def place_of(folder: Path) -> Path:
    """Return the place that a name stands for, or refuse the name."""
    if "\0" in str(folder):
        raise OutputError(f"{str(folder)!r}: a name cannot hold a NUL character")
    for part in folder.parts:
        if len(os.fsencode(part)) > LONGEST_NAME:
            raise OutputError(
                f"{part[:40]}...: a name may have {LONGEST_NAME} bytes at most "
                f"(got {len(os.fsencode(part))})"
            )
    try:
        if folder.is_symlink() and not folder.exists():
            raise OutputError(f"{folder}: is a link that leads nowhere")
        return Path(os.path.realpath(folder))
    except OSError as exc:
        raise OutputError(f"{folder}: cannot be written: {exc.strerror}") from exc


def _check_place(folder: Path, place: Path, *, kind: str, overwrite: bool) -> None:
    if not place.exists():
        return
    if not place.is_dir():
        raise OutputError(f"{folder}: exists and is not a folder")
    if not overwrite:
        raise OutputError(f"{folder}: already exists, left unchanged. Give --overwrite to replace")
    if not any(place.iterdir()):
        return
    found = marker(place)
    if found is None:
        raise OutputError(
            f"{folder}: is no result folder (it has no {MARKER} of this program); left unchanged"
        )
    if found.get("kind") != kind:
        raise OutputError(
            f"{folder}: holds results of another kind ({found.get('kind')}, not {kind}); left "
            "unchanged"
        )
    ours = {*found["files"], MARKER}
    for path in place.rglob("*"):
        name = path.relative_to(place).as_posix()
        if name not in ours and not (path.is_dir() and not path.is_symlink()):
            raise OutputError(f"{folder}: {name} is not part of its results; left unchanged")


def _put_in_place(new: Path, place: Path, old: Path, *, kind: str, overwrite: bool) -> None:
    """Put a full folder into its place in one step; if that has been taken, beside it."""
    try:
        _check_place(place, place, kind=kind, overwrite=overwrite)
        if not place.exists():
            os.rename(new, place)
        elif not _exchanged(new, place):
            os.rename(place, old)
            try:
                os.rename(new, place)
            except BaseException:
                os.rename(old, place)
                raise
    except (OutputError, OSError) as exc:
        beside = next(
            path for i in count(2) if not (path := place.with_name(f"{place.name}-{i}")).exists()
        )
        os.rename(new, beside)
        raise OutputError(f"{exc}\n{place}: the results are in {beside} instead") from exc
    _folder_to_disk(place.parent)


def _exchanged(one: Path, other: Path) -> bool:
    """Exchange two folders in one step, where the system can."""
    try:
        rename = ctypes.CDLL(None, use_errno=True).renameat2
    except (OSError, AttributeError):
        return False
    names = os.fsencode(one), os.fsencode(other)
    if rename(HERE_FD, names[0], HERE_FD, names[1], EXCHANGE) == 0:
        return True
    code = ctypes.get_errno()
    if code in (errno.EINVAL, errno.ENOSYS, errno.ENOTSUP):
        return False
    raise OSError(code, os.strerror(code))


def _prefix(place: Path) -> str:
    return f"{WORK}{hashlib.sha256(os.fsencode(place.name)).hexdigest()[:12]}-"


@contextmanager
def _alone_in(folder: Path) -> Iterator[bool]:
    """Let one program at a time make or remove work folders; give whether the system can."""
    with ExitStack() as after:
        alone = False
        with suppress(OSError):  # a folder that cannot be listed, a file system without locks
            handle = os.open(folder, os.O_RDONLY)
            after.callback(os.close, handle)
            fcntl.flock(handle, fcntl.LOCK_EX)
            alone = True
        yield alone


@contextmanager
def _work_folder(place: Path) -> Iterator[Path]:
    """Give a folder beside `place`, locked while this program lives; gone afterwards."""
    with _alone_in(place.parent) as alone:
        work = Path(tempfile.mkdtemp(prefix=_prefix(place), dir=place.parent))
        try:
            handle = os.open(work / "lock", os.O_CREAT | os.O_RDWR)
        except BaseException:
            work.rmdir()
            raise
        if alone:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    try:
        yield work
    finally:
        shutil.rmtree(work, ignore_errors=True)
        os.close(handle)


def _clear_leftovers(place: Path) -> None:
    """Remove work folders of dead programs; an old result that one had moved away comes back."""
    if not place.parent.is_dir():
        return
    with _alone_in(place.parent) as alone:
        for work in place.parent.glob(f"{_prefix(place)}*"):
            _clear_leftover(work, place, alone)


def _clear_leftover(work: Path, place: Path, alone: bool) -> None:
    try:
        handle = os.open(work / "lock", os.O_RDWR)
    except FileNotFoundError:
        with suppress(OSError):
            if alone or time.time() - work.stat().st_mtime > YOUNG_S:
                work.rmdir()
        return
    except OSError:
        return
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return  # alive, or on a file system that cannot say
    else:
        if (work / "old").is_dir() and not place.exists():
            os.rename(work / "old", place)
        shutil.rmtree(work, ignore_errors=True)
    finally:
        os.close(handle)


def _to_disk(folder: Path) -> None:
    """Have every file on the disk before the folder goes by its name."""
    for path in folder.rglob("*"):
        if path.is_file():
            to_disk(path)
    _folder_to_disk(folder)


def to_disk(path: Path) -> None:
    """Have what was written to a file on the disk before this returns."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _folder_to_disk(folder: Path) -> None:
    with suppress(OSError):  # some file systems cannot
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
