"""What to buy down first: the population again with one tolerance tightened at a time."""

from collections.abc import Callable
from typing import Any, Final, NamedTuple

import numpy as np

from sim.foundations.ports import Array
from sim.optics.switch import SwitchParams, budget_of
from sim.scenario.model import Scenario
from sim.studies.built.population import BuiltSwitches, Judge, judged_population
from sim.studies.connections.end_of_life import New

TOLERANCES: Final = {
    ("optics", "connector_sd_db"): "spread of connectors",
    ("build", "array_position_um"): "place of the mirror arrays",
    ("build", "array_rotation_urad"): "rotation of the mirror arrays",
    ("build", "chip_bow_per_m"): "bow of the chips",
    ("build", "collimator_pointing_urad"): "direction of the collimators",
    ("build", "collimator_lateral_um"): "place of the collimators",
    ("build", "waist_spread_pct"): "spread of the waists",
    ("build", "mirror_curvature_per_m"): "mean curvature of the mirrors",
    ("build", "mirror_curvature_spread_per_m"): "spread of the mirrors' curvature",
    ("build", "reflectivity_spread"): "spread of reflectivity",
    ("aiming", "mirror_error_urad"): "aiming error of a mirror",
    ("aiming", "connection_error_urad"): "aiming error of a connection",
    ("budget", "servo_urad"): "residual error of the loops",
    ("budget", "mirror_ageing_db"): "ageing of mirrors, mean",
    ("budget", "mirror_ageing_sd_db"): "ageing of mirrors, spread",
    ("budget", "port_ageing_db"): "ageing of ports, mean",
    ("budget", "port_ageing_sd_db"): "ageing of ports, spread",
    ("budget", "wear_db"): "wear of connectors",
    ("budget", "shift_urad"): "shift by shocks",
    ("budget", "warming_urad_per_k"): "shift by temperature",
}
"""Section and key under `switch`, and words."""
TIGHTER: Final = 0.5
WIDER: Final = (1.0, 1.25, 1.5, 2.0)
QUANTILE: Final = 0.95
KEPT_ROWS: Final = 500_000
"""Connections, of all switches, up to which new switches are kept: some 400 bytes each."""


class Bought(NamedTuple):
    """What halving one tolerance does."""

    key: str
    words: str
    value: float
    """As the scenario has it."""
    gained_db: float
    """By how much the deciding loss falls that 95 % of the switches keep. [dB]"""
    met: float
    """Share of switches met then."""


class Widened(NamedTuple):
    """All tolerances wider by one factor."""

    factor: float
    met: float
    """Share of switches that meet the limits."""
    met_one_db_more: float
    """The same if both limits were 1 dB higher."""


def excess_db(found: BuiltSwitches, switch: SwitchParams) -> Array:
    """Return by how much each switch (K,) misses its nearer limit; negative inside both. [dB]"""
    budget = budget_of(switch, "yield")
    return np.maximum(
        found.new_worst_db - budget.acceptance_db, found.late_worst_db - budget.end_of_life_db
    )


def with_tolerances(switch: SwitchParams, factors: dict[tuple[str, str], float]) -> SwitchParams:
    """Return the switch with tolerances multiplied."""
    tree: dict[str, Any] = switch.model_dump()
    for (section, key), factor in factors.items():
        if tree.get(section) is not None:
            tree[section][key] = factor * tree[section][key]
    return SwitchParams.model_validate(tree)


def present(switch: SwitchParams) -> dict[tuple[str, str], float]:
    """Return the tolerances that the switch has, and their values; those at zero left out."""
    tree = switch.model_dump()
    found = {at: (tree.get(at[0]) or {}).get(at[1], 0.0) for at in TOLERANCES}
    return {at: value for at, value in found.items() if value}


def buying(
    scenario: Scenario, switches: int, progress: Callable[[int, int], None] | None = None
) -> tuple[list[Bought], list[Widened]]:
    """Judge the same switches with each tolerance halved, and with all of them wider.

    All draws are the same, so that differences are those of the tolerance alone.

    Returns
    -------
    (bought, widened)
        The first sorted by what is gained.
    """
    switch, seed = scenario.switch, scenario.seeds.population
    have = present(switch)
    steps = len(have) + len(WIDER)

    kept: dict[int, New] = {}
    room = switches * switch.geometry.ports_per_side * switch.geometry.outputs <= KEPT_ROWS

    def judged(
        one: SwitchParams, done: int, *, keep: bool = False, built: bool = False
    ) -> BuiltSwitches:
        judge = Judge(one, scenario.mirror)

        def build(seed: int) -> New:
            kept[seed] = judge.years.moved(judge.years.new(seed), 0)
            return kept[seed]

        new = build if keep else kept.get if built else None
        found = judged_population(judge, seed, switches, new=new)
        if progress is not None:
            progress(done + 1, steps)
        return found

    widened = []
    base = 0.0
    for number, factor in enumerate(WIDER):
        one = with_tolerances(switch, dict.fromkeys(have, factor))
        found = judged(one, number, keep=room and factor == 1.0)
        over = excess_db(found, switch)
        reach = found.unreachable == 0
        if factor == 1.0:
            base = float(np.quantile(over, QUANTILE))
        widened.append(
            Widened(
                factor, float(np.mean(reach & (over <= 0.0))), float(np.mean(reach & (over <= 1.0)))
            )
        )
    bought = []
    for number, (at, value) in enumerate(have.items()):
        one = with_tolerances(switch, {at: TIGHTER})
        # What the years do changes no new switch: those of the first population serve again.
        found = judged(one, len(WIDER) + number, built=at[0] == "budget")
        gained = base - float(np.quantile(excess_db(found, switch), QUANTILE))
        bought.append(
            Bought(f"switch.{at[0]}.{at[1]}", TOLERANCES[at], value, gained,
                   float(np.mean(found.met)))
        )  # fmt: skip
    return sorted(bought, key=lambda b: -b.gained_db), widened
