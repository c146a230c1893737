"""Many built switches, each judged when new and at the end of its life."""

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.foundations.errors import ScenarioError
from sim.foundations.ports import Array
from sim.mirror.population import MirrorParams
from sim.optics.switch import SwitchParams, budget_of
from sim.scenario.model import Scenario
from sim.studies.built.spares import rescue
from sim.studies.connections.end_of_life import New, Years
from sim.studies.connections.side_by_side import side_by_side
from sim.studies.connections.summary import spare_travel
from sim.studies.connections.table import ConnectionTable

MOST_CONNECTIONS = 300_000
"""Larger switches are refused: a population of them would not fit into memory and patience."""


class Judged(NamedTuple):
    """One switch."""

    new_db: Array
    """(C,) insertion loss when new, the worst of the band. [dB]"""
    late_db: Array
    """(C,) at the end of its life, for the stated share of the time, the worst of the band. [dB]"""
    late_mean_db: Array
    """(C,) at the data wavelength, on the mean over time. [dB]"""
    spare: Array
    """(C,) share of travel left. [-]"""
    table: ConnectionTable


class BuiltSwitches(NamedTuple):
    """K switches."""

    seeds: NDArray[np.int64]
    connections: int
    """Of each switch."""
    new_worst_db: Array
    """(K,) largest loss when new. [dB]"""
    late_worst_db: Array
    """(K,) largest loss at the end of life. [dB]"""
    new_mean_db: Array
    late_mean_db: Array
    over_new: NDArray[np.int64]
    """(K,) connections over the acceptance limit."""
    over_late: NDArray[np.int64]
    """(K,) connections over the end-of-life limit."""
    unreachable: NDArray[np.int64]
    """(K,) connections out of travel."""
    good: NDArray[np.int64]
    """(K,) connections that meet both limits and the travel."""
    rescued: NDArray[np.bool_]
    """(K,) whether spare ports leave only good connections; where all are good, true."""

    @property
    def met(self) -> NDArray[np.bool_]:
        """(K,) whether every connection is good."""
        return np.asarray(self.good == self.connections)


class Judge:
    """What all switches of a population share: the design and its forms."""

    def __init__(self, switch: SwitchParams, mirror: MirrorParams) -> None:
        """Prepare.

        Raises
        ------
        ScenarioError
            If there is no budget, the switch is too large, or fewer ports exist than are needed.
        """
        self.budget = budget_of(switch, "yield")
        ports = (switch.geometry.ports_per_side, switch.geometry.outputs)
        if ports[0] * ports[1] > MOST_CONNECTIONS:
            raise ScenarioError(
                f"switch.geometry.ports_per_side: yield takes switches of at most "
                f"{MOST_CONNECTIONS} connections (got {ports[0] * ports[1]})"
            )
        wanted = self.budget.ports_in_service
        if wanted is not None and wanted > min(ports):
            raise ScenarioError(
                f"switch.budget.ports_in_service: must not exceed the ports of a side, "
                f"{min(ports)} (got {wanted})"
            )
        self.years = Years(switch, mirror)
        self.ports = ports
        self.spares = tuple(0 if wanted is None else count - wanted for count in ports)

    def judge(self, seed: int, life: int = 0, new: New | None = None) -> Judged:
        """Return one switch, new and at the end of one life; built here if it is not given."""
        new = new or self.years.new(seed)
        late = self.years.late(new, life)
        return Judged(
            new.worst_db, late.db, late.mean_db,
            spare_travel(new.table, self.years.mirror.travel_mrad), new.table,
        )  # fmt: skip

    def bad(self, judged: Judged) -> NDArray[np.bool_]:
        """Return which connections (N, M) miss a limit or the travel."""
        wrong = (
            (judged.new_db > self.budget.acceptance_db)
            | (judged.late_db > self.budget.end_of_life_db)
            | (judged.spare < 0.0)
        )
        return np.asarray(wrong.reshape(self.ports))


def population(
    scenario: Scenario, switches: int, progress: Callable[[int, int], None] | None = None
) -> BuiltSwitches:
    """Build and judge switches; the first is that of the scenario's population seed.

    Parameters
    ----------
    scenario : Scenario
        With `switch.budget`.
    switches : int
        How many, at least one; the n-th has the seed of the population plus n.
    progress : callable, optional
        Called with (finished, all).

    Raises
    ------
    ScenarioError
        As for `Judge`.
    """
    return judged_population(
        Judge(scenario.switch, scenario.mirror), scenario.seeds.population, switches, progress
    )


def judged_population(
    judge: Judge, first_seed: int, switches: int,
    progress: Callable[[int, int], None] | None = None, *,
    new: Callable[[int], New | None] | None = None,
) -> BuiltSwitches:  # fmt: skip
    """Return the population that a judge sees from a seed on.

    `new` gives switches that were built before, by their seeds, or None.
    """
    seeds = (first_seed + np.arange(switches)) % 2**32
    budget = judge.budget

    def row(seed: np.int64) -> tuple[float, ...]:
        one = judge.judge(int(seed), new=None if new is None else new(int(seed)))
        bad = judge.bad(one)
        wrong = int(bad.sum())
        saved = wrong == 0 or (any(judge.spares) and rescue(bad, *judge.spares) is not None)
        return (
            one.new_db.max(), one.late_db.max(), one.table.insertion_db.mean(), one.late_db.mean(),
            int(np.sum(one.new_db > budget.acceptance_db)),
            int(np.sum(one.late_db > budget.end_of_life_db)),
            int(np.sum(one.spare < 0.0)), bad.size - wrong, saved,
        )  # fmt: skip

    rows = []
    for one_row in side_by_side(row, seeds):
        rows.append(one_row)
        if progress is not None:
            progress(len(rows), switches)
    columns = [np.array(column) for column in zip(*rows, strict=True)]
    return BuiltSwitches(seeds, judge.ports[0] * judge.ports[1], *columns)
