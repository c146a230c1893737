"""Where outcomes are kept: one text file, a checked line for each finished run."""

import fcntl
import hashlib
import json
import os
import time
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Any, Final, NamedTuple, Self

from sim.foundations.errors import OutputError
from sim.foundations.files.filing import (
    MARKER,
    PAGE_FAULT,
    WORK,
    check_output,
    mark,
    marker,
    place_of,
    put,
)
from sim.foundations.files.reading import read_bytes
from sim.foundations.files.text import counted
from sim.studies.sweep.errors import SweepError
from sim.studies.sweep.one_run import RunOutcome

FILE = "runs.jsonl"
LOCK = "lock"
KIND = "sweep"
OURS = (FILE, LOCK, MARKER, "table.csv", "table.parquet", "report.html", PAGE_FAULT)
LAYOUT = 2
"""Number of the layout below, kept in the first line."""
SHORT = 60
FLUSH_S = 1.0
CHECK_DIGITS: Final = 16
LARGEST_MB: Final = 4000.0
"""A store; a million runs take about half of it."""
_OPENING = '{"check":"'


class Contents(NamedTuple):
    """What a file of outcomes holds."""

    identity: dict[str, Any] | None
    """Of the sweep it belongs to; None if its line is damaged."""
    outcomes: dict[int, RunOutcome]
    """Those whose lines are whole."""
    damaged: tuple[int, ...]
    """Numbers of the lines that are not, from 1."""
    whole: int
    """Bytes up to the end of the last line; what follows was never finished."""


class Store:
    """The outcomes of one plan; whatever ends the program, finished runs stay.

    A run is one line that is appended at once, and brought to the disk within a second or so, which
    matters if the power fails. Each line carries a
    checksum over itself and the plan's identity, so a changed bit is found, and a line of another
    sweep is not taken for one of this. A last line without its end was cut off by a kill: it is
    dropped. The folder is locked while the store is open.
    """

    def __init__(
        self, folder: Path, identity: Mapping[str, Any], *, overwrite: bool, repair: bool = False,
        kind: str = KIND, ours: tuple[str, ...] = OURS, noun: str = KIND, repairs: bool = True,
    ) -> None:  # fmt: skip
        """Open the store in `folder`, or begin one.

        Parameters
        ----------
        folder : Path
            Made if it does not exist.
        identity : mapping
            What decides the outcomes; must equal what the store was begun with.
        overwrite : bool
            Throw away what an earlier sweep left in the folder.
        repair : bool
            Drop lines that are damaged; their runs count as not done.
        kind : str
            What the folder is marked as.
        ours : tuple of str
            Names of the files that may be in it.
        noun : str
            What the messages call the plan.
        repairs : bool
            Whether the command that asks has --repair, so that a message may name it.

        Raises
        ------
        SweepError
            If the store belongs to another plan, is in use, or is damaged.
        OutputError
            If the folder holds something else, or cannot be written.
        """
        self.path = folder / FILE
        wanted = json.loads(json.dumps(identity))
        self._key = _text(wanted)
        self._kind, self._ours, self._noun, self._repairs = kind, ours, noun, repairs
        try:
            _check_folder(place_of(folder), kind)
        except OSError as exc:
            raise OutputError(f"{folder}: cannot be written: {exc.strerror}") from exc
        self._lock = -1
        self._file = -1
        self._flushed_s = time.monotonic()
        try:
            folder.mkdir(parents=True, exist_ok=True)
            self._lock = _locked(folder / LOCK, noun)
            if overwrite:
                _clear(folder, ours)
            self._outcomes = self._begun(folder, wanted, repair=repair)
            self._file = os.open(self.path, os.O_WRONLY | os.O_APPEND)
        except OSError as exc:
            self._close()
            raise OutputError(f"{folder}: cannot be written: {exc.strerror}") from exc
        except BaseException:
            self._close()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        value: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._close()

    def _close(self) -> None:
        if self._file >= 0:
            with suppress(OSError):
                os.fdatasync(self._file)
        for descriptor in (self._file, self._lock):
            if descriptor >= 0:
                os.close(descriptor)
        self._file = self._lock = -1

    def _begun(
        self, folder: Path, wanted: dict[str, Any], *, repair: bool
    ) -> dict[int, RunOutcome]:
        first = _line({"layout": LAYOUT, "identity": wanted}, "")
        if not self.path.exists():
            put(self.path, first)
            mark(folder, self._kind, self._ours)
            return {}
        found = read_store(self.path, self._key)
        if found.identity is not None and found.identity != wanted:
            raise SweepError(
                f"{self.path}: holds another {self._noun}; {_difference(found.identity, wanted)}. "
                "It is left unchanged. Give another folder, or --overwrite to start again"
            )
        if found.damaged and not repair:
            raise SweepError(_damage(self.path, found, self._noun, repairs=self._repairs))
        if found.damaged:
            lines = [_run_line(*item, self._key) for item in sorted(found.outcomes.items())]
            put(self.path, b"".join([first, *lines]))
        else:
            os.truncate(self.path, found.whole)
        return found.outcomes

    def add(self, run: int, outcome: RunOutcome) -> None:
        """Keep one outcome: if this program is killed after this returns, it stays.

        Raises
        ------
        ValueError
            If the run is kept already.
        OutputError
            If it cannot be written; what was kept before stays as it is.
        """
        if run in self._outcomes:
            raise ValueError(f"run {run} is kept already")
        line = _run_line(run, outcome, self._key)
        end = os.lseek(self._file, 0, os.SEEK_END)
        try:
            while line:
                line = line[os.write(self._file, line) :]
            if time.monotonic() - self._flushed_s > FLUSH_S:
                os.fdatasync(self._file)
                self._flushed_s = time.monotonic()
        except OSError as exc:
            with suppress(OSError):
                os.ftruncate(self._file, end)
            raise OutputError(
                f"{self.path}: cannot be written: {exc.strerror}. Kept: "
                f"{counted(len(self._outcomes), 'run')} and the same command goes on from there"
            ) from exc
        self._outcomes[run] = outcome

    def forget_failed(self) -> int:
        """Let runs that could not be done count as not done; return how many."""
        failed = [run for run, outcome in self._outcomes.items() if outcome.error is not None]
        for run in failed:
            del self._outcomes[run]
        return len(failed)

    def done(self) -> set[int]:
        """Return the numbers of the finished runs."""
        return set(self._outcomes)

    def outcomes(self) -> dict[int, RunOutcome]:
        """Return the finished runs, in order."""
        return dict(sorted(self._outcomes.items()))


def read_store(path: Path, key: str) -> Contents:
    """Read a file of outcomes as far as it is whole.

    Parameters
    ----------
    path : Path
        The file.
    key : str
        The identity of the sweep, as text; lines that were written for another are damaged ones.
    """
    data = read_bytes(path, fault=SweepError, largest_mb=LARGEST_MB)
    whole = data.rfind(b"\n") + 1
    lines = data[:whole].split(b"\n")[:-1]
    head = _content(lines[0], "") if lines else None
    identity = None
    if head is not None:
        if head.get("layout") != LAYOUT:
            raise SweepError(
                f"{path}: is not a store of this version of the program "
                f"(layout {head.get('layout')}, not {LAYOUT})"
            )
        identity = head["identity"]
        key = _text(identity)
    outcomes: dict[int, RunOutcome] = {}
    damaged = [] if head is not None else [1]
    for number, line in enumerate(lines[1:], 2):
        row = _content(line, key)
        if row is None:
            damaged.append(number)
            continue
        missed = tuple(row["limits_missed"])
        outcomes[row["run"]] = RunOutcome(row["figures"], missed, row["error"], row["wall_s"])
    return Contents(identity, outcomes, tuple(damaged), whole)


def _run_line(run: int, outcome: RunOutcome, key: str) -> bytes:
    return _line({"run": run, **outcome._asdict()}, key)


def _line(content: dict[str, Any], key: str) -> bytes:
    text = json.dumps(content, allow_nan=False, separators=(",", ":"))
    return f'{_OPENING}{_check(text, key)}",{text[1:]}\n'.encode("ascii")


def _content(line: bytes, key: str) -> dict[str, Any] | None:
    """Return what a line holds, or None if it is not as it was written."""
    try:
        text = line.decode("ascii")
    except UnicodeDecodeError:
        return None
    start = len(_OPENING) + CHECK_DIGITS
    body = "{" + text[start + 2 :]
    if not text.startswith(_OPENING) or text[start : start + 2] != '",':
        return None
    if text[len(_OPENING) : start] != _check(body, key):
        return None
    return dict(json.loads(body))


def _check(text: str, key: str) -> str:
    return hashlib.sha256(f"{key}\n{text}".encode("ascii")).hexdigest()[:CHECK_DIGITS]


def _text(identity: Mapping[str, Any]) -> str:
    """Return a short text that stands for all of an identity."""
    return hashlib.sha256(json.dumps(identity, sort_keys=True).encode("ascii")).hexdigest()


def _damage(path: Path, found: Contents, noun: str, *, repairs: bool) -> str:
    named = ", ".join(map(str, found.damaged[:5])) + (", ..." if len(found.damaged) > 5 else "")
    lines = "line" if len(found.damaged) == 1 else "lines"
    if found.identity is None and not found.outcomes:
        return (
            f"{path}: is damaged, or not the store of this {noun}: no line in it can be trusted. "
            "It is left unchanged. Give another folder, or --overwrite to start again"
        )
    way_on = (
        "--repair keeps the whole runs and does the others again"
        if repairs
        else "Give another folder, or --overwrite to start again"
    )
    return (
        f"{path}: is damaged: {len(found.damaged)} {lines} ({named}) changed after they were "
        f"written; {counted(len(found.outcomes), 'run')} whole; left unchanged. {way_on}"
    )


def _check_folder(folder: Path, kind: str) -> None:
    """Refuse a folder that is something else than a store's of this kind."""
    if not folder.is_dir() or not any(folder.iterdir()):
        if not folder.is_dir():
            check_output(folder, kind=kind, overwrite=False)
        return
    found = marker(folder)
    begun = {p.name for p in folder.iterdir() if not p.name.startswith(WORK)} <= {FILE, LOCK}
    if found is None and not begun:  # a kill may come between the file and its marker
        raise OutputError(f"{folder}: is not a folder of a {kind}; left unchanged")
    if found is not None and found.get("kind") != kind:
        raise OutputError(
            f"{folder}: holds results of another kind ({found.get('kind')}, not {kind}); it was "
            "kept"
        )


def _locked(path: Path, noun: str) -> int:
    handle = os.open(path, os.O_CREAT | os.O_RDWR, 0o644)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        os.close(handle)
        raise SweepError(f"{path.parent}: in use by another {noun}; wait for it") from None
    except BaseException:
        os.close(handle)
        raise
    return handle


def _clear(folder: Path, ours: tuple[str, ...]) -> None:
    """Remove what a sweep left, but the lock that is held."""
    for path in folder.iterdir():
        if (path.name in ours and path.name != LOCK) or path.name.startswith(WORK):
            path.unlink(missing_ok=True)


def _difference(begun: Mapping[str, Any], now: Mapping[str, Any]) -> str:
    """Name the first part of the plan that differs."""
    for key in now:
        old, new = begun.get(key), now[key]
        if old == new:
            continue
        if isinstance(old, list) and isinstance(new, list) and len(old) != len(new):
            return f"{key}: {len(old)} there, {len(new)} asked for"
        if isinstance(old, dict) and isinstance(new, dict):
            changed = sorted(k for k in old.keys() | new.keys() if old.get(k) != new.get(k))
            return f"its {key} differ ({', '.join(changed[:3])})"
        texts = json.dumps(old), json.dumps(new)
        if max(map(len, texts)) > SHORT or key == "scenario":
            return f"its {key} differs"
        return f"{key}: {texts[0]} there, {texts[1]} asked for"
    return "its plan differs"
