"""What limits a life, and which maintenance buys most: the same life with one thing changed."""

from collections.abc import Callable
from typing import Any, Final, NamedTuple

import numpy as np

from sim.scenario.model import Scenario
from sim.studies.life.study import Life, live, results_of

HALF: Final = 0.5
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


def levers(
    life: Life, progress: Callable[[int, int], None] | None = None
) -> tuple[list[Lever], list[Lever]]:
    """Return what halving each cause does, and what other intervals of maintenance do.

    Each list begins with the life as it is.

    Every life has the same random numbers, so differences are of the change alone.

    Parameters
    ----------
    life : Life
        As it is.
    progress : callable, optional
        Called with (lives done, all).
    """
    base = results_of(life)
    causes, service = _causes(life.scenario), _service(life.scenario)
    total, done = len(causes) + len(service), [0]

    def lever(name: str, found: dict[str, Any]) -> Lever:
        late = _late_db(found)
        median = float(np.mean(_late(found["median_db"])))
        return Lever(name, late, _late_db(base) - late, median, found["availability"]["share"])

    def tried(name: str, scenario: Scenario) -> Lever:
        found = results_of(live(scenario, life.years))
        done[0] += 1
        if progress is not None:
            progress(done[0], total)
        return lever(name, found)

    as_it_is = lever("as it is", base)

    def ranked(tries: dict[str, Scenario]) -> list[Lever]:
        found = [tried(*item) for item in tries.items()]
        return [as_it_is, *sorted(found, key=lambda lever: -lever.gain_db)]

    return ranked(causes), ranked(service)


def _late_db(found: dict[str, Any]) -> float:
    return float(np.max(_late(found["max_db"])))


def _late(course: list[float | None]) -> list[float]:
    """Return the last fifth of a course."""
    known = [value for value in course if value is not None]
    return known[-max(1, len(known) // 5) :]


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
            found[f"aimed anew {words}, every {days:g} days"] = service.replace(repeak_days=days)
        found["never aimed anew"] = service.replace(repeak_days=0.0, repeak_at_db=None)
    else:
        found["aimed anew every 182.625 days"] = service.replace(repeak_days=182.625)
    return {
        words: scenario.replace(life=life.replace(service=changed))
        for words, changed in found.items()
    }
