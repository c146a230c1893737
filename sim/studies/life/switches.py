"""Many switches through their lives, kept as they finish."""

import json
import threading
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final, NamedTuple

import numpy as np

from sim.foundations.errors import Stopped
from sim.foundations.files.filing import MARKER, PAGE_FAULT
from sim.foundations.files.text import counted
from sim.foundations.ports import Array
from sim.kernels.threads import available, on_threads
from sim.studies.life.study import ROWS, live, results_of
from sim.studies.life.survival import Survival, Weibull, first_miss, survival, weibull
from sim.studies.life.totals import CAUSES, CONTRIBUTORS, LIMITS
from sim.studies.sweep.errors import SweepError
from sim.studies.sweep.execute import execute, local_processes
from sim.studies.sweep.identity import identity_of
from sim.studies.sweep.one_run import RunOutcome, failed
from sim.studies.sweep.plan import SweepPlan, make_plan
from sim.studies.sweep.store import FILE, LOCK, Store

KIND: Final = "switches' lives"
OURS: Final = (FILE, LOCK, MARKER, PAGE_FAULT)
COURSES: Final = ("median_db", "p95_db", "max_db")

ONE_AT_A_TIME = threading.Lock()


class Switches(NamedTuple):
    """K switches."""

    years: Array
    """(R,) ends of the rows."""
    courses_db: dict[str, Array]
    """(K, R) each of `COURSES`."""
    contributors_db: dict[str, Array]
    """(R,) mean over switches."""
    missed_at_years: dict[str, Array]
    """(K,) first miss of each limit; NaN: not within the study."""
    out_h: dict[str, float]
    """Connection-hours out of budget, by cause."""
    connection_hours: float
    length_years: float
    causes: dict[str, dict[str, int]]
    """How many switches first missed each limit by each cause."""
    episodes: dict[str, int]
    """Episodes of all switches, by name."""
    failed: dict[int, str]
    """Switches that could not be done, and why."""

    def survival(self, limit: str) -> Survival:
        """Return the survival curve against a limit."""
        return survival(*self._sample(limit))

    def first_miss(self, limit: str) -> dict[str, Any]:
        """Return the median first miss with its interval."""
        return first_miss(*self._sample(limit))

    def weibull(self, limit: str) -> Weibull | None:
        """Return the Weibull law of the first miss, if there are misses enough."""
        return weibull(*self._sample(limit))

    def _sample(self, limit: str) -> tuple[Array, Any]:
        at = self.missed_at_years[limit]
        missed = np.isfinite(at)
        return np.where(missed, at, self.length_years), missed

    @property
    def availability(self) -> float:
        """Share of connection-hours in budget. [-]"""
        return 1.0 - sum(self.out_h.values()) / self.connection_hours


def one_life(scenario_json: str, seed: int) -> RunOutcome:
    """Follow one switch through its life, on one thread; its figures are numbers by name.

    Parameters
    ----------
    scenario_json : str
        A checked scenario, as its `model_dump_json` gives it.
    seed : int
        Of the switch and of its fate.
    """
    from sim.scenario.model import Scenario

    with ONE_AT_A_TIME:
        clock_s = time.perf_counter()
        try:
            tree = json.loads(scenario_json) | {"population_seed": seed, "noise_seed": seed}
            with on_threads(1):
                found = results_of(live(Scenario.model_validate(tree)))
        except Exception as exc:  # one switch must not cost the others
            return failed(exc, time.perf_counter() - clock_s)
    figures: dict[str, float | int | None] = {
        f"{name}.{i}": value for name in COURSES for i, value in enumerate(found[name])
    }
    for name in CONTRIBUTORS:
        for i, value in enumerate(found["contributors"][name]):
            figures[f"contributors.{name}.{i}"] = value
    for name in LIMITS:
        figures[f"missed_at_years.{name}"] = found["missed_at_years"][name]
        by = found["missed_by"][name]
        figures[f"missed_by.{name}"] = None if by is None else CAUSES.index(by["cause"])
    for name, count in found["episodes_lived"].items():
        figures[f"episodes.{name}"] = count
    for cause in CAUSES:
        figures[f"out_h.{cause}"] = found["availability"]["out_by_cause_h"][cause]
    figures["connection_hours"] = found["availability"]["connection_hours"]
    missed = tuple(n for n in LIMITS if found["missed_at_years"][n] is not None)
    return RunOutcome(figures, missed, None, time.perf_counter() - clock_s)


def switches(
    scenario: str | Path,
    count: int,
    folder: str | Path,
    *,
    overrides: tuple[str, ...] = (),
    years: float | None = None,
    workers: int | None = None,
    overwrite: bool = False,
    progress: Callable[[int], None] | None = None,
) -> Switches:
    """Follow many switches through their lives.

    Each finished one is kept in the folder: the same call goes on where the last one ended.
    Processes are started, so a script must keep its calls behind ``if __name__ == "__main__":``.

    Parameters
    ----------
    scenario : str or Path
        A file, or the name of a shipped case.
    count : int
        Switches; the n-th has the scenario's seed plus n.
    folder : str or Path
        For the store.
    overrides : tuple of str
        Changes of the scenario.
    years : float, optional
        Length of the lives; the design life if left out.
    workers : int, optional
        Processes; one a processor if left out.
    overwrite : bool
        Whether another study in the folder may be deleted.
    progress : callable, optional
        Called with the switches done.

    Raises
    ------
    SimError
        If it cannot be done as asked; Stopped if it was interrupted.
    """
    if years is not None:
        overrides = (*overrides, f"life.years={years!r}")
    plan = make_plan(str(scenario), (), seeds=count, overrides=overrides)
    identity = identity_of(plan) | {"study": "life"}
    with Store(
        Path(folder), identity, overwrite=overwrite, kind=KIND, ours=OURS,
        noun="life of switches", repairs=False,
    ) as store:  # fmt: skip
        try:
            left = count - len(store.done())
            if left:
                with local_processes(min(workers or available(), left)) as engine:
                    execute(plan, store, engine, progress, job=one_life)
        except KeyboardInterrupt:
            raise Stopped(
                f"stopped: {len(store.done())} of {counted(count, 'switch', 'switches')} done and "
                "kept; the same command goes on from there"
            ) from None
        return _gathered(plan, store.outcomes())


def _counted(causes: Array) -> dict[str, int]:
    """Return how often each cause is named, the most frequent first; NaN names none."""
    found = Counter(CAUSES[int(number)] for number in causes[np.isfinite(causes)])
    return dict(found.most_common())


def _gathered(plan: SweepPlan, outcomes: dict[int, RunOutcome]) -> Switches:
    good = [o.figures for o in outcomes.values() if o.error is None]
    bad = {run: str(o.error) for run, o in outcomes.items() if o.error is not None}
    if not good:
        raise SweepError(f"no switch could be followed: {next(iter(bad.values()))}")

    def column(name: str) -> Array:
        return np.array([np.nan if f[name] is None else f[name] for f in good], dtype=float)

    length = float(json.loads(plan.scenarios[0])["life"]["years"])
    rows = range(ROWS)
    return Switches(
        years=length * (np.arange(ROWS) + 1) / ROWS,
        courses_db={
            name: np.stack([column(f"{name}.{i}") for i in rows], axis=1) for name in COURSES
        },
        contributors_db={
            name: np.array([column(f"contributors.{name}.{i}").mean() for i in rows])
            for name in CONTRIBUTORS
        },
        missed_at_years={name: column(f"missed_at_years.{name}") for name in LIMITS},
        out_h={cause: float(column(f"out_h.{cause}").sum()) for cause in CAUSES},
        connection_hours=float(column("connection_hours").sum()),
        length_years=length,
        causes={name: _counted(column(f"missed_by.{name}")) for name in LIMITS},
        episodes={
            key.removeprefix("episodes."): int(column(key).sum())
            for key in good[0] if key.startswith("episodes.")
        },
        failed=bad,
    )
