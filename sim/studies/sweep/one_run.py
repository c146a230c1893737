"""One run of a sweep: its figures, without pictures and without files."""

import json
import threading
import time
import traceback
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, NamedTuple

from sim.foundations.errors import SimError
from sim.results.table import FIGURES

if TYPE_CHECKING:
    from sim.studies.run.make import Run

FAULT: Final = "fault of the program"
"""Begins the reason of a run that failed through no fault of the user."""

NOT_SHOWN: Final = "not shown"
"""In place of a limit: all were met, but the run did not put them to the test."""

ONE_AT_A_TIME = threading.Lock()


class RunOutcome(NamedTuple):
    """What one run left."""

    figures: dict[str, Any]
    """By path, see `sim.results.table.FIGURES`; empty if the run could not be done."""
    limits_missed: tuple[str, ...]
    error: str | None
    """Why it could not be done."""
    wall_s: float
    """Time it took; never part of a table."""


def _shows_nothing(made: "Run") -> bool:
    """Whether a run that met its limits was not put to the test, or has a reason against it."""
    from sim.studies.run.preview import unexercised
    from sim.studies.run.shown import reasons_against

    return bool(unexercised(made.built) or reasons_against(made))


def one_run(scenario_json: str, seed: int) -> RunOutcome:
    """Do one run on one thread.

    Runs that share a process take turns, since the compiled kernels are not to be entered twice
    at once.

    Parameters
    ----------
    scenario_json : str
        A checked scenario, as its `model_dump_json` gives it.
    seed : int
        Takes the place of the scenario's seed.

    Returns
    -------
    Outcome
        With `error` where the run cannot be done, whatever the reason.
    """
    from sim.scenario.model import Scenario
    from sim.studies.run.make import make_run

    with ONE_AT_A_TIME:
        clock_s = time.perf_counter()
        try:
            scenario = Scenario.model_validate({**json.loads(scenario_json), "seed": seed})
            made = make_run(scenario, threads=1, pictures=False)
        except Exception as exc:  # one run must not cost the others
            return failed(exc, time.perf_counter() - clock_s)
        kept = {figure.path: figure.of(made.figures) for figure in FIGURES}
        missed = tuple(row["name"] for row in made.limits if not row["met"])
        if made.limits and not missed and _shows_nothing(made):
            missed = (NOT_SHOWN,)
        return RunOutcome(kept, missed, None, time.perf_counter() - clock_s)


def failed(reason: Exception | str, wall_s: float = 0.0) -> RunOutcome:
    """Return the outcome of a run that could not be done.

    Parameters
    ----------
    reason : Exception or str
        An exception that is no `SimError` is a fault of the program; where it arose is kept.
    wall_s : float
        Time it took. [s]
    """
    text = str(reason)
    if isinstance(reason, MemoryError):
        text = f"there is not enough memory for it. {reason}".strip()
    elif isinstance(reason, Exception) and not isinstance(reason, SimError):
        steps = traceback.extract_tb(reason.__traceback__)
        where = f" ({Path(steps[-1].filename).name}, line {steps[-1].lineno})" if steps else ""
        text = f"{FAULT}: {type(reason).__name__}: {reason}{where}"
    return RunOutcome({}, (), text, wall_s)
