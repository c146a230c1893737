"""Losses at the end of a life, connection by connection, and over many lives of one switch."""

from collections.abc import Callable
from typing import Any, Final, NamedTuple

import numpy as np

from sim.mirror.population import MirrorParams
from sim.optics.jitter import jitter_loss_db
from sim.optics.links import design_form
from sim.optics.switch import SwitchParams, budget_of
from sim.ports import Array
from sim.scenario.model import Scenario
from sim.studies.connections.aim import Aimed
from sim.studies.connections.intervals import exact_interval, mean_interval
from sim.studies.connections.life import draw_life
from sim.studies.connections.table import CONTRIBUTORS, ConnectionTable, Maker

LIVES: Final = 50
FEWEST_LIVES: Final = 10
TABLE_ROWS: Final = 500_000
"""Connections times lives that the table of connections takes; fewer lives of a large switch."""
MOST_CONNECTIONS: Final = 100_000
"""Larger switches are not taken through many lives by the table of connections."""
WORDS: Final = {
    "connectors": "connectors mated anew, and their wear",
    "ageing": "ageing of mirrors, collimators and combiners",
    "shift": "shifts that no camera sees, temperature",
    "servo": "the loops' residual error, for the stated share of the time",
    "band": "worst of the data band, over the data wavelength",
}
"""What the years add, in this order; the last is there when new, too."""
N_WORST: Final = 5


class New(NamedTuple):
    """One switch when new."""

    maker: Maker
    aimed: Aimed
    table: ConnectionTable

    @property
    def worst_db(self) -> Array:
        """(C,) largest insertion loss over the data wavelength and the band's edges. [dB]"""
        return worst_over_band(self.table)


class Late(NamedTuple):
    """The same switch at the end of one life."""

    db: Array
    """(C,) insertion loss for the stated share of the time, worst of the band. [dB]"""
    mean_db: Array
    """(C,) at the data wavelength, on the mean over time. [dB]"""
    added_db: Array
    """(5, C) what the years have added, by `WORDS`. [dB]"""


class Years:
    """What all lives of all switches of one design share: the connections, and their forms."""

    def __init__(self, switch: SwitchParams, mirror: MirrorParams) -> None:
        """Prepare.

        Raises
        ------
        ScenarioError
            If there is no budget.
        """
        self.budget = budget_of(switch, "the end of a life")
        self.switch, self.mirror = switch, mirror
        self.ports = (switch.geometry.ports_per_side, switch.geometry.outputs)
        self.inputs, self.outputs = np.divmod(np.arange(self.ports[0] * self.ports[1]),
                                              self.ports[1])  # fmt: skip
        self.form_db = design_form(switch, self.inputs, self.outputs)

    def new(self, seed: int) -> New:
        """Return the switch of a population's seed, when new."""
        maker = Maker(self.switch, self.mirror, seed, edges_alone=True)
        aimed = maker.aimed(self.inputs, self.outputs)
        return New(maker, aimed, maker.table(self.inputs, self.outputs, aimed))

    def late(self, new: New, life: int = 0) -> Late:
        """Return a switch at the end of one of its lives."""
        optics, table = self.switch.optics, new.table
        drawn = draw_life(self.budget, optics, new.maker.seed, self.ports, life)
        shift = np.concatenate(
            [drawn.shift_rad[0][self.inputs], drawn.shift_rad[1][self.outputs]], axis=1
        )
        moved = Aimed(new.aimed.change_rad + shift, new.aimed.from_rest, new.aimed.probes)
        later = new.maker.table(self.inputs, self.outputs, moved)
        mean, servo = jitter_loss_db(
            self.form_db, table.error_rad + shift, 1e-6 * self.budget.servo_urad,
            self.budget.servo_share,
        )  # fmt: skip
        ageing = drawn.gained_db[0][self.inputs] + drawn.gained_db[1][self.outputs]
        connectors = np.zeros(len(ageing))
        first, second = drawn.connector_db
        if first is not None and second is not None:
            was = table.losses_db[CONTRIBUTORS.index("connectors")]
            connectors = first[self.inputs] + second[self.outputs] - was
        still = later.insertion_db + ageing + connectors
        band = worst_over_band(later) - later.insertion_db
        added = np.stack(
            [connectors, ageing, later.insertion_db - table.insertion_db, servo, band]
        )
        return Late(still + servo + band, still + mean, added)


def lives_of(connections: int) -> int:
    """Return through how many lives the table of connections takes a switch; 0: too large."""
    if connections > MOST_CONNECTIONS:
        return 0
    return max(FEWEST_LIVES, min(LIVES, TABLE_ROWS // connections))


def worst_over_band(table: ConnectionTable) -> Array:
    """Return the largest insertion loss (C,) over all wavelengths of a table. [dB]"""
    return np.asarray(table.band_db.max(axis=1))


def many_lives(
    scenario: Scenario, progress: Callable[[int, int], None] | None = None, *, lives: int = LIVES
) -> tuple[dict[str, Any], dict[str, Array]]:
    """Return what many lives do to every connection of a scenario's switch.

    Parameters
    ----------
    scenario : Scenario
        With `switch.budget`.
    progress : callable, optional
        Called with (lives done, all).
    lives : int
        How many; intervals are of 95 %.

    Returns
    -------
    (figures, columns)
        As `connections.json` has them; and (C,) means over the lives, ends of their intervals, and
        shares of the lives over the limit, by their names as columns.
    """
    years = Years(scenario.switch, scenario.mirror)
    seed, limit_db = scenario.seeds.population, float(years.budget.end_of_life_db)
    new = years.new(seed)
    late, added = [], np.zeros(len(WORDS))
    for life in range(lives):
        one = years.late(new, life)
        late.append(one.db)
        added += one.added_db.mean(axis=1) / lives
        if progress is not None:
            progress(life + 1, lives)
    loss = np.stack(late)
    met = int(np.sum(loss.max(axis=1) <= limit_db))
    mean, low, high = mean_interval(loss)
    over = np.sum(loss > limit_db, axis=0)
    share_low, share_high = exact_interval(met, lives)
    largest = loss.max(axis=0)
    worst = [
        {
            "input": int(years.inputs[c]), "output": int(years.outputs[c]),
            "mean_db": float(mean[c]), "low_db": float(low[c]), "high_db": float(high[c]),
            "largest_db": float(largest[c]), "over": _share(int(over[c]), lives),
        }
        for c in np.argsort(-mean, kind="stable")[:N_WORST]
    ]  # fmt: skip
    figures = {
        "seed": seed,
        "lives": lives,
        "limit_db": limit_db,
        "share_of_lives_met": {"value": met / lives, "low": share_low, "high": share_high},
        "mean_db": float(mean.mean()),
        "p99_db": float(np.percentile(loss, 99)),
        "max_db": float(loss.max()),
        "connections_over_on_the_mean": int(np.sum(mean > limit_db)),
        "added": dict(zip(WORDS, map(float, added), strict=True)),
        "worst": worst,
    }
    columns = {
        "end_of_life_db": mean, "end_of_life_low_db": low, "end_of_life_high_db": high,
        "lives_over_share": over / lives,
    }  # fmt: skip
    return figures, columns


def _share(over: int, lives: int) -> dict[str, float]:
    low, high = exact_interval(over, lives)
    return {"value": over / lives, "low": low, "high": high}
