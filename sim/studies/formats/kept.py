"""Losses of a study's runs, kept in a folder as they come, so that the study can be resumed."""

import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Any, Final

import numpy as np

from sim.foundations.errors import ScenarioError, Stopped
from sim.foundations.files.filing import MARKER
from sim.foundations.files.text import counted
from sim.studies.formats.arithmetic import StartingWords
from sim.studies.formats.loss import Loss
from sim.studies.formats.measured import Measured
from sim.studies.sweep.errors import SweepError
from sim.studies.sweep.identity import identity_of_scenarios
from sim.studies.sweep.one_run import RunOutcome
from sim.studies.sweep.store import FILE, LOCK, Store

KIND: Final = "runs of a study of word lengths"
NOUN: Final = "study of word lengths"
OURS: Final = (FILE, LOCK, MARKER)


class KeptLosses:
    """Does runs one after the other, each once: what the store holds is not done again."""

    def __init__(
        self, store: Store | None, total: int, progress: Callable[[int, int, int], None] | None
    ) -> None:
        self._store, self._total, self._progress = store, total, progress
        self._begun = 0 if store is None else len(store.done())
        self._done = 0

    def of(self, number: int, do: Callable[[], Loss]) -> Loss:
        """Return the loss of a run, done now or before.

        Raises
        ------
        ScenarioError
            If there is no such format; that is kept, too.
        """
        return loss_from(self._figures(number, lambda: plain_of(do())))

    def measured(self, number: int, do: Callable[[], Measured]) -> Measured:
        """Return how far the words of a run went, done now or before."""
        found = self._figures(number, lambda: do()._asdict())
        states = found["states"]
        return Measured(**{**found, "states": None if states is None else tuple(states)})

    def finish(self) -> None:
        """Say that all is done, though a run that was counted need not be made."""
        if self._progress is not None and self._done < self._total:
            self._progress(self._begun, self._total, self._total)

    def _figures(self, number: int, do: Callable[[], dict[str, Any]]) -> Mapping[str, Any]:
        known = {} if self._store is None else self._store.outcomes()
        outcome = known[number] if number in known else _outcome(do)
        if self._store is not None and number not in known:
            self._store.add(number, outcome)
        self._done += 1
        if self._progress is not None and (number not in known or self._done == self._total):
            self._progress(self._begun, max(self._done, len(known)), self._total)
        if outcome.error is not None:
            raise ScenarioError(outcome.error)
        return outcome.figures


def _outcome(do: Callable[[], dict[str, Any]]) -> RunOutcome:
    clock_s = time.perf_counter()
    try:
        found, error = do(), None
    except ScenarioError as exc:
        found, error = {}, str(exc)
    return RunOutcome(found, (), error, time.perf_counter() - clock_s)


def plain_of(loss: Loss) -> dict[str, Any]:
    """Return a loss as plain numbers, to the last bit; numbers that are none as None."""

    def plain(numbers: Any) -> list[float | None]:
        return [float(n) if np.isfinite(n) else None for n in numbers]

    return {
        "square_rad2": plain(loss.square_rad2),
        "bias_rad2": plain(loss.bias_rad2),
        "excess_db": plain([loss.excess_db])[0],
        "lost": loss.lost,
        "cut_off": loss.cut_off,
    }


def loss_from(found: Mapping[str, Any]) -> Loss:
    """Return the loss that `plain_of` wrote."""
    excess_db = found["excess_db"]
    return Loss(
        np.array(found["square_rad2"], float), np.array(found["bias_rad2"], float),
        np.nan if excess_db is None else excess_db, found["lost"], found["cut_off"],
    )  # fmt: skip


@contextmanager
def keeping(
    folder: Path | None, start: StartingWords, words: Mapping[str, Sequence[int]], total: int, *,
    overwrite: bool, progress: Callable[[int, int, int], None] | None,
) -> Iterator[KeptLosses]:  # fmt: skip
    """Give what does the runs of a study; `folder` keeps them, None keeps nothing.

    Raises
    ------
    Stopped
        If the user stopped it; the message says what is kept.
    SweepError, OutputError
        If the folder holds the runs of another study, or cannot be written.
    """
    if folder is None:
        yield KeptLosses(None, total, progress)
        return
    identity = identity_of_scenarios(
        [start.plain.model_dump_json(), start.scenario.model_dump_json()]
    ) | {"list of word lengths": [[word, list(bits)] for word, bits in words.items()]}
    with _opened(folder, identity, overwrite=overwrite) as store:
        try:
            yield KeptLosses(store, total, progress)
        except KeyboardInterrupt:
            raise Stopped(
                f"stopped: {len(store.done())} of {counted(total, 'run')} are done and kept in "
                f"{folder}; the same command goes on from there"
            ) from None


def _opened(folder: Path, identity: Mapping[str, Any], *, overwrite: bool) -> Store:
    """Open the store; one of another study is begun anew if it may be."""
    begun = partial(Store, folder, identity, kind=KIND, ours=OURS, noun=NOUN, repairs=False)
    try:
        return begun(overwrite=False)
    except SweepError:
        if not overwrite:
            raise
        return begun(overwrite=True)


def forget(folder: Path) -> None:
    """Remove the folder of kept runs, once the results are written; other files stay."""
    for name in OURS:
        (folder / name).unlink(missing_ok=True)
    if folder.is_dir() and not any(folder.iterdir()):
        folder.rmdir()
