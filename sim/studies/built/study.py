"""The study of yield, from a scenario to its figures."""

import datetime
from collections.abc import Callable
from typing import Any, Final, NamedTuple

import numpy as np

from sim.foundations.files.text import counted
from sim.foundations.ports import Array
from sim.optics.switch import budget_of
from sim.scenario.model import Scenario
from sim.studies.built.buying import Bought, Widened, buying, excess_db
from sim.studies.built.population import BuiltSwitches, population
from sim.studies.connections.intervals import clustered_interval, exact_interval
from sim.studies.connections.many_lives import many_lives
from sim.studies.run.provenance import now

SHIFTS_DB: Final = tuple(float(v) for v in np.round(np.arange(-1.0, 1.0001, 0.05), 2))
"""Changes of both limits over which the yield is drawn. [dB]"""
Progress = Callable[[int, int], None]


class Yield(NamedTuple):
    """Everything about a population."""

    scenario: Scenario
    population: BuiltSwitches
    results: dict[str, Any]
    """What `yield.json` holds, provenance aside."""
    curve: list[tuple[float, float]]
    """Change of both limits [dB], and share of switches met."""
    bought: list[Bought]
    widened: list[Widened]
    verdict: str
    late_columns: dict[str, Array]
    """What many lives do to each connection of the first switch; see `many_lives`."""
    started: datetime.datetime


def as_if_independent(share: float, count: int) -> float:
    """Return the yield if `count` connections were good independently, which they are not.

    They share mirrors, collimators and connectors: the figure shows how wrong that would be.
    """
    return float(share**count)


def study(
    scenario: Scenario, switches: int, *, tolerance_switches: int = 40,
    progress: Progress | None = None, tolerance_progress: Progress | None = None,
    lives_progress: Progress | None = None,
) -> Yield:  # fmt: skip
    """Judge a population of built switches.

    Parameters
    ----------
    scenario : Scenario
        With `switch.budget`.
    switches : int
        How many are built.
    tolerance_switches : int
        How many of them are built again for each tolerance; 0: none.
    progress, tolerance_progress, lives_progress : callable, optional
        Called with (finished, all).

    Raises
    ------
    ScenarioError
        If there is no budget, or the switch does not suit.
    """
    started = now()
    found = population(scenario, switches, progress)
    lives, late_columns = many_lives(scenario, lives_progress)
    switch, budget = scenario.switch, budget_of(scenario.switch, "yield")
    met = int(found.met.sum())
    over = excess_db(found, switch)
    reach = found.unreachable == 0
    curve = [(shift, float(np.mean(reach & (over <= shift)))) for shift in SHIFTS_DB]
    bought: list[Bought] = []
    widened: list[Widened] = []
    if tolerance_switches:
        bought, widened = buying(scenario, tolerance_switches, tolerance_progress)
    low, high = exact_interval(met, switches)
    share = float(np.mean(found.good) / found.connections)
    low_c, high_c = clustered_interval(found.good.astype(float), found.connections)
    saved = int(found.rescued.sum())
    low_s, high_s = exact_interval(saved, switches)
    one_more = float(np.mean(reach & (over <= 1.0)))
    results: dict[str, Any] = {
        "switches": switches,
        "connections_per_switch": found.connections,
        "share_of_switches_met": {"value": met / switches, "low": low, "high": high},
        "share_of_connections_met": {"value": share, "low": low_c, "high": high_c},
        "share_met_with_spares": {
            "value": saved / switches, "low": low_s, "high": high_s,
            "ports_in_service": budget.ports_in_service,
        },
        "if_connections_were_independent": as_if_independent(share, found.connections),
        "missed": {
            "acceptance": int(np.sum(found.over_new > 0)),
            "end_of_life": int(np.sum(found.over_late > 0)),
            "travel": int(np.sum(found.unreachable > 0)),
        },
        "new_worst_db": _spread(found.new_worst_db),
        "late_worst_db": _spread(found.late_worst_db),
        "new_mean_db": float(found.new_mean_db.mean()),
        "late_mean_db": float(found.late_mean_db.mean()),
        "limits": {
            "acceptance_db": budget.acceptance_db, "end_of_life_db": budget.end_of_life_db,
        },
        "one_db_more": {
            "share_of_switches_met": one_more, "gain": one_more - met / switches,
        },
        "lives": lives,
        "buy_first": [b._asdict() for b in bought],
        "wider_tolerances": [w._asdict() for w in widened],
        "tolerance_switches": tolerance_switches,
        "worst_seeds": [int(found.seeds[k]) for k in np.argsort(-over, kind="stable")[:5]],
    }  # fmt: skip
    return Yield(
        scenario, found, results, curve, bought, widened, _verdict(results), late_columns, started
    )


def _spread(values: Any) -> dict[str, float]:
    return {
        "median": float(np.median(values)),
        "p95": float(np.quantile(values, 0.95)),
        "max": float(values.max()),
    }


def _verdict(r: dict[str, Any]) -> str:
    share = r["share_of_switches_met"]
    missed = r["missed"]
    reasons = [
        f"{count} by {words}"
        for words, count in (
            ("the acceptance limit", missed["acceptance"]),
            ("the end-of-life limit", missed["end_of_life"]),
            ("travel", missed["travel"]),
        )
        if count
    ]
    text = (
        f"{100 * share['value']:.1f} % of "
        f"{counted(r['switches'], 'built switch', 'built switches')} "
        f"{'has' if r['switches'] == 1 else 'have'} every connection "
        f"within both limits (95 % interval {100 * share['low']:.1f} to {100 * share['high']:.1f} "
        "%)"
    )
    if reasons:
        text += "; missed: " + ", ".join(reasons)
    if r["buy_first"]:
        first = r["buy_first"][0]
        text += f". Buy down first: {first['words']} ({first['gained_db']:.2f} dB if halved)"
    return text + "."
