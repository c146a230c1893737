"""Where outcomes are kept: one SQLite file, one transaction a run."""

import json
import sqlite3
from collections.abc import Mapping
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from sim.errors import OutputError
from sim.studies.sweep.errors import SweepError
from sim.studies.sweep.one_run import RunOutcome

FILE = "sweep.sqlite"
OURS = (FILE, f"{FILE}-journal", "table.csv", "table.parquet", "report.html")
LAYOUT = 1
"""Number of the table layout below, kept in the file."""
SHORT = 60


class Store:
    """The outcomes of one plan; whatever ends the program, finished runs stay.

    SQLite's rollback journal makes each `add` whole or undone. The file stays locked while it is
    open, so two sweeps cannot share it.
    """

    def __init__(self, folder: Path, identity: Mapping[str, Any], *, overwrite: bool) -> None:
        """Open the store in `folder`, or begin one.

        Parameters
        ----------
        folder : Path
            Made if it does not exist.
        identity : mapping
            What decides the outcomes; must equal what the store was begun with.
        overwrite : bool
            Throw away what an earlier sweep left in the folder.

        Raises
        ------
        SweepError
            If the store belongs to another plan, is in use, or is not a store.
        OutputError
            If the folder holds something else, or cannot be written.
        """
        self.path = folder / FILE
        _prepare(folder, overwrite=overwrite)
        try:
            self._base = sqlite3.connect(self.path, timeout=1.0)
        except sqlite3.Error as exc:
            raise OutputError(f"{self.path}: cannot be opened: {exc}") from exc
        try:
            self._begin(json.loads(json.dumps(identity)))
        except sqlite3.OperationalError as exc:
            self._base.close()
            if "locked" in str(exc):
                raise SweepError(f"{self.path}: in use by another sweep; wait for it") from exc
            raise OutputError(f"{self.path}: cannot be written: {exc}") from exc
        except sqlite3.DatabaseError as exc:
            self._base.close()
            raise SweepError(f"{self.path}: is not the store of a sweep: {exc}") from exc
        except BaseException:
            self._base.close()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        value: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._base.close()

    def _begin(self, identity: dict[str, Any]) -> None:
        base = self._base
        base.execute("PRAGMA locking_mode = EXCLUSIVE")
        base.execute("BEGIN IMMEDIATE")
        with base:
            layout = base.execute("PRAGMA user_version").fetchone()[0]
            empty = not base.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
            if layout == 0 and empty:
                base.execute(f"PRAGMA user_version = {LAYOUT}")
                base.execute("CREATE TABLE plan (identity TEXT NOT NULL)")
                base.execute(
                    "CREATE TABLE runs (run INTEGER PRIMARY KEY, figures TEXT NOT NULL, "
                    "limits_missed TEXT NOT NULL, error TEXT, wall_s REAL NOT NULL)"
                )
                base.execute("INSERT INTO plan VALUES (?)", (json.dumps(identity),))
                return
            if layout != LAYOUT:
                raise SweepError(
                    f"{self.path}: is not a store of this version of the program "
                    f"(layout {layout}, not {LAYOUT})"
                )
            begun = json.loads(base.execute("SELECT identity FROM plan").fetchone()[0])
            if begun != identity:
                raise SweepError(
                    f"{self.path}: holds another sweep; {_difference(begun, identity)}. "
                    "It was kept. Give another folder, or --overwrite to begin anew"
                )

    def add(self, run: int, outcome: RunOutcome) -> None:
        """Keep one outcome; it is on disk when this returns."""
        with self._base:
            self._base.execute(
                "INSERT INTO runs VALUES (?, ?, ?, ?, ?)",
                (
                    run,
                    json.dumps(outcome.figures, allow_nan=False),
                    json.dumps(outcome.limits_missed),
                    outcome.error,
                    outcome.wall_s,
                ),
            )

    def done(self) -> set[int]:
        """Return the numbers of the finished runs."""
        return {row[0] for row in self._base.execute("SELECT run FROM runs")}

    def outcomes(self) -> dict[int, RunOutcome]:
        """Return the finished runs, in order."""
        rows = self._base.execute("SELECT * FROM runs ORDER BY run")
        return {
            run: RunOutcome(json.loads(figures), tuple(json.loads(missed)), error, wall_s)
            for run, figures, missed, error, wall_s in rows
        }


def _prepare(folder: Path, *, overwrite: bool) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
        strangers = sorted(p.name for p in folder.iterdir() if p.name not in OURS)
        if strangers and not (folder / FILE).exists():
            raise OutputError(f"{folder}: holds something else than a sweep; it was kept")
        if overwrite:
            for name in OURS:
                (folder / name).unlink(missing_ok=True)
    except OSError as exc:
        raise OutputError(f"{folder}: cannot be written: {exc.strerror}") from exc


def _difference(begun: Mapping[str, Any], now: Mapping[str, Any]) -> str:
    """Name the first part of the plan that differs."""
    for key in now:
        old, new = begun.get(key), now[key]
        if old == new:
            continue
        if isinstance(old, list) and isinstance(new, list) and len(old) != len(new):
            return f"{key}: {len(old)} there, {len(new)} asked for"
        texts = json.dumps(old), json.dumps(new)
        if max(map(len, texts)) > SHORT or key == "scenario":
            return f"its {key} differs"
        return f"{key}: {texts[0]} there, {texts[1]} asked for"
    return "its plan differs"
