"""How often a loop reads another mirror's spot: over seeds, with an interval."""

from collections.abc import Callable
from typing import Final, NamedTuple

import numpy as np
from scipy.stats import t

from sim.calibration.results import Beliefs
from sim.camera.spot_guard import SpotGuardParams
from sim.foundations.ports import Array
from sim.results.wrong_spots import NAMES
from sim.scenario.model import Scenario
from sim.studies.run.make import make_run

WITHOUT: Final = "none"
WITH: Final = "the scenario's"


class Rate(NamedTuple):
    """A rate in parts per million of all readings, over seeds."""

    mean_ppm: float
    low_ppm: float | None
    """Ends of the interval of 95 %; runs of different seeds are independent, frames are not. None:
    no run had any."""
    high_ppm: float | None
    seeds_with: int
    """Seeds in which there was one."""


class Confused(NamedTuple):
    """Wrong readings over seeds, with the guard and without."""

    seeds: int
    readings: int
    """Readings of each seed: mirrors times frames."""
    rates: dict[str, dict[str, Rate]]
    """By guard: none, the scenario's, and each of its rules alone; then by what is counted."""
    unsettled: dict[str, int]
    """Mirrors that never settled, over all seeds."""


def confusion(
    scenario: Scenario, beliefs: Beliefs | None, seeds: int,
    progress: Callable[[int, int], None] | None = None,
) -> Confused | None:  # fmt: skip
    """Run the scenario over seeds of its connections and its noise; the switch stays the same.

    Parameters
    ----------
    scenario : Scenario
        As it stands; its `spot_guard` is held against none.
    beliefs : Beliefs, optional
        What the firmware goes by.
    seeds : int
        How many; from the scenario's own upwards.
    progress : callable, optional
        Called with (finished runs, all runs).

    Returns
    -------
    Confused, or None
        None where no stray light of neighbours is simulated.
    """
    if not scenario.camera.spill or seeds < 2:
        return None
    kept = scenario.seeds.population
    guards = guards_of(scenario.spot_guard)
    total, done = seeds * len(guards), 0
    counts: dict[str, list[list[int]]] = {name: [] for name in guards}
    unsettled = dict.fromkeys(guards, 0)
    readings = 0
    for name, guard in guards.items():
        for k in range(seeds):
            if progress is not None:
                progress(done, total)
            seed = (scenario.seed + k) % 2**32
            one = scenario.replace(
                seed=seed, population_seed=kept, noise_seed=seed, spot_guard=guard
            )
            made = make_run(one, pictures=False, beliefs=beliefs)
            parts = made.built.parts
            readings = len(parts.mirrors) * parts.clock.n_frames
            counts[name].append([made.figures["wrong_spots"][what] for what in NAMES])
            unsettled[name] += int(made.figures["settling"]["unsettled"])
            done += 1
    if progress is not None:
        progress(total, total)
    rates = {
        name: {
            what: rate_of(np.array(rows, float)[:, i] / readings) for i, what in enumerate(NAMES)
        }
        for name, rows in counts.items()
    }
    return Confused(seeds, readings, rates, unsettled)


def guards_of(guard: SpotGuardParams | None) -> dict[str, SpotGuardParams | None]:
    """Return the guards that are compared: none, the scenario's, and each rule by itself."""
    if guard is None:
        return {WITHOUT: None}
    nearer = guard.replace(margin_px=None, excess_light_pct=None)
    found: dict[str, SpotGuardParams | None] = {WITHOUT: None, WITH: guard}
    if guard != nearer:
        found["nearer to a neighbour alone"] = nearer
    if guard.margin_px is not None and guard.excess_light_pct is not None:
        found["margin, no excess light"] = guard.replace(excess_light_pct=None)
        found["excess light, no margin"] = guard.replace(margin_px=None)
    return found


def none_seen_pct(seeds: int) -> float:
    """Return the largest share of runs that may have some if none of `seeds` had, at 95 %. [%]

    With a share p, none of S runs has some with probability (1 - p)^S; that is 5 % at the bound.
    """
    return float(100.0 * (1.0 - 0.05 ** (1.0 / seeds)))


def rate_of(shares: Array) -> Rate:
    """Return the mean of shares (S,) of independent runs, with Student's interval, in ppm.

    Where no run had any, the scatter says nothing and there are no ends: `none_seen_pct` then
    bounds how many runs may have some.
    """
    n = len(shares)
    mean = float(shares.mean())
    if not shares.any():
        return Rate(0.0, None, None, 0)
    half = float(t.ppf(0.975, n - 1) * shares.std(ddof=1) / np.sqrt(n))
    return Rate(
        1e6 * mean, 1e6 * max(mean - half, 0.0), 1e6 * (mean + half), int((shares > 0).sum())
    )
