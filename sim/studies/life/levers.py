"""What limits a life, and which maintenance buys most: lives with one thing changed each."""

import json
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final, NamedTuple

import numpy as np

from sim.foundations.errors import Stopped
from sim.foundations.files.text import counted
from sim.kernels.threads import available, on_threads
from sim.scenario.model import Scenario
from sim.studies.life.study import Life, live, results_of
from sim.studies.life.switches import ONE_AT_A_TIME, OURS
from sim.studies.sweep.errors import SweepError
from sim.studies.sweep.execute import execute, local_processes
from sim.studies.sweep.identity import identity_of_scenarios
from sim.studies.sweep.one_run import RunOutcome, failed
from sim.studies.sweep.store import Store

KIND: Final = "lives with one change"

HALF: Final = 0.5
AIMED: Final = "aimed anew"
RATES: Final = (
    "amplitude_urad", "rate_urad_per_1000_h", "rate_urad_per_decade", "rate_urad_per_sqrt_s",
    "sigma_urad", "gain_ppm_per_year", "resonance_ppm_per_year", "sensor_urad_per_k",
    "tilt_urad_per_k", "gain_ppm_per_k",
)  # fmt: skip
"""Sizes of disturbances, by the names that the shipped ones give them."""


class Lever(NamedTuple):
    """A life with one thing changed, against the life as it is."""

    change: str
    max_db: float
    """Largest loss over the last fifth of the life. [dB]"""
    gain_db: float
    """Less than in the life as it is. [dB]"""
    median_db: float
    """Mean over the same time of the median over connections. [dB]"""
    availability: float
    repeak_days: float | None = None
    """Interval of aiming by schedule, where it is what the life has or what was changed. [d]"""


class Changed(NamedTuple):
    """Lives to be followed, each a text for `one_change`."""

    scenarios: tuple[str, ...]

    @property
    def n_runs(self) -> int:
        """How many."""
        return len(self.scenarios)

    def of_run(self, run: int) -> tuple[int, int]:
        """Return which life it is; its seeds are in the text."""
        return run, 0


def one_change(text: str, _seed: int) -> RunOutcome:
    """Follow one life, on one thread, and return what a `Lever` holds of it.

    Parameters
    ----------
    text : str
        JSON of a scenario, and the length of the life in years.
    """
    with ONE_AT_A_TIME:
        clock_s = time.perf_counter()
        try:
            tree = json.loads(text)
            with on_threads(1):
                life = live(Scenario.model_validate(tree["scenario"]), tree["years"])
                figures = _figures(results_of(life))
        except Exception as exc:  # one life must not cost the others
            return failed(exc, time.perf_counter() - clock_s)
        return RunOutcome(figures, (), None, time.perf_counter() - clock_s)


def levers(
    life: Life, progress: Callable[[int, int], None] | None = None, *,
    folder: str | Path, workers: int | None = None, overwrite: bool = False,
) -> tuple[list[Lever], list[Lever]]:  # fmt: skip
    """Return what halving each cause does, and what other intervals of maintenance do.

    Each list begins with the life as it is.

    Every life has the same random numbers, so differences are of the change alone. Finished ones
    are kept in the folder: the same call goes on where the last one ended. Processes are started,
    so a script must keep its calls behind ``if __name__ == "__main__":``.

    Parameters
    ----------
    life : Life
        As it is.
    progress : callable, optional
        Called with (lives done, all).
    folder : str or Path
        For the store.
    workers : int, optional
        Processes; one a processor if left out.
    overwrite : bool
        Whether another study in the folder may be deleted.

    Raises
    ------
    SimError
        If a life cannot be followed; Stopped if it was interrupted.
    """
    causes, service = _causes(life.scenario), _service(life.scenario)
    tries = causes | service
    lives = Changed(tuple(
        json.dumps({"scenario": json.loads(one.model_dump_json()), "years": life.years})
        for one in tries.values()
    ))  # fmt: skip
    found = dict(zip(tries, _followed(lives, Path(folder), workers, overwrite, progress),
                     strict=True))  # fmt: skip
    base = _figures(results_of(life))

    def lever(name: str, figures: dict[str, float], days: float | None) -> Lever:
        largest = figures["max_db"]
        return Lever(name, largest, base["max_db"] - largest, figures["median_db"],
                     figures["share"], days)  # fmt: skip

    def ranked(names: dict[str, Scenario]) -> list[Lever]:
        rows = [
            lever(name, found[name], _days(scenario) if AIMED in name else None)
            for name, scenario in names.items()
        ]
        as_it_is = lever("as it is", base, _days(life.scenario))
        return [as_it_is, *sorted(rows, key=lambda lever: -lever.gain_db)]

    return ranked(causes), ranked(service)


def _followed(
    lives: Changed, folder: Path, workers: int | None, overwrite: bool,
    progress: Callable[[int, int], None] | None,
) -> list[dict[str, Any]]:  # fmt: skip
    """Return the figures of every life, those of the store among them."""
    total = lives.n_runs
    texts = [json.dumps(json.loads(text)["scenario"]) for text in lives.scenarios]
    identity = identity_of_scenarios(texts) | {
        "study": "levers", "years": json.loads(lives.scenarios[0])["years"]
    }
    with Store(
        folder, identity, overwrite=overwrite, kind=KIND, ours=OURS, noun="study of levers",
        repairs=False,
    ) as store:  # fmt: skip
        try:
            left = total - len(store.done())
            if left:
                with local_processes(min(workers or available(), left)) as engine:
                    execute(lives, store, engine, job=one_change, tell=(
                        None if progress is None else lambda done: progress(done, total)
                    ))  # fmt: skip
        except KeyboardInterrupt:
            raise Stopped(
                f"stopped: {len(store.done())} of {counted(total, 'life', 'lives')} with one "
                "change done and kept; the same command goes on from there"
            ) from None
        outcomes = store.outcomes()
    for outcome in outcomes.values():
        if outcome.error is not None:
            raise SweepError(f"a life with one change could not be followed: {outcome.error}")
    return [outcomes[run].figures for run in range(total)]


def _figures(found: dict[str, Any]) -> dict[str, float]:
    return {
        "max_db": float(np.max(_late(found["max_db"]))),
        "median_db": float(np.mean(_late(found["median_db"]))),
        "share": found["availability"]["share"],
    }


def _late(course: list[float | None]) -> list[float]:
    """Return what is known of the last fifth of a course; of all of it if that fifth is dark."""
    last = [value for value in course[-max(1, len(course) // 5) :] if value is not None]
    return last or [value for value in course if value is not None]


def _causes(scenario: Scenario) -> dict[str, Scenario]:
    """Return the scenario with each cause halved, by words."""
    found = {}
    for i, tree in enumerate(scenario.disturbances):
        for key in RATES:
            if not np.any(tree.get(key, 0.0)):
                continue
            changed = [dict(other) for other in scenario.disturbances]
            value = tree[key]
            changed[i][key] = (
                [HALF * v for v in value] if isinstance(value, list | tuple) else HALF * value
            )
            of = f" of {tree['of']}" if "of" in tree else ""
            found[f"{tree['kind']}{of}: {key} halved"] = scenario.replace(disturbances=changed)
    budget = scenario.switch.budget
    for key in ("mirror_ageing_db", "port_ageing_db", "wear_db"):
        if budget is not None and getattr(budget, key) > 0:
            better = budget.replace(**{key: HALF * getattr(budget, key)})
            found[f"{key} halved"] = scenario.replace(
                switch=scenario.switch.replace(budget=better)
            )
    life = scenario.life
    if life is not None and life.service.remates_per_port_year > 0:
        rarer = life.service.replace(
            remates_per_port_year=HALF * life.service.remates_per_port_year
        )
        found["connectors mated half as often"] = scenario.replace(life=life.replace(service=rarer))
    return found


def _service(scenario: Scenario) -> dict[str, Scenario]:
    """Return the scenario with other maintenance, by words."""
    life = scenario.life
    if life is None:
        return {}
    found, service = {}, life.service
    intervals = {
        "half as often": 2.0 * service.repeak_days, "twice as often": 0.5 * service.repeak_days,
        "four times as often": 0.25 * service.repeak_days,
    }  # fmt: skip
    if service.repeak_days > 0:
        for words, days in intervals.items():
            change = f"{AIMED} {words}, every {counted(days, 'day')}"
            found[change] = service.replace(repeak_days=days)
        found["never aimed anew"] = service.replace(repeak_days=0.0, repeak_at_db=None)
    else:
        found[f"{AIMED} every 182.625 days"] = service.replace(repeak_days=182.625)
    if service.recalibrate_days > 0:
        found["gain measured anew four times as often"] = service.replace(
            recalibrate_days=0.25 * service.recalibrate_days
        )
    tries = {
        words: scenario.replace(life=life.replace(service=changed))
        for words, changed in found.items()
    }
    lamp = life.monitor
    if lamp.failures_per_year > 0:
        soon = lamp.replace(repair_h=0.25 * lamp.repair_h)
        words = f"failed lamp replaced after {soon.repair_h:g} h, not {lamp.repair_h:g} h"
        tries[words] = scenario.replace(life=life.replace(monitor=soon))
    return tries


def _days(scenario: Scenario) -> float | None:
    """Return the interval of aiming by schedule; None: there is none. [d]"""
    days = 0.0 if scenario.life is None else scenario.life.service.repeak_days
    return days if days > 0 else None
