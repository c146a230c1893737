"""Many lives of one switch: each of its connections, or a sample of a large switch's.

A switch of a million connections is not taken through its lives whole. Its sample is evenly
spread, and says what becomes of all; and in each life, those connections are looked at as well that
stand highest by an estimate that takes milliseconds for all: ageing and connectors port by port,
shifts through one quadratic form for all. For the others, the most by which a connection that was
looked at came out above its estimate is added to theirs, which says how high they may come.
"""

from collections.abc import Callable
from typing import Any, Final, NamedTuple

import numpy as np

from sim.foundations.ports import Array
from sim.scenario.model import Scenario
from sim.studies.connections.calibration import evenly
from sim.studies.connections.coupler import Ports
from sim.studies.connections.end_of_life import WORDS, Late, Years
from sim.studies.connections.intervals import exact_interval, mean_intervals
from sim.studies.connections.life import EndOfLife
from sim.studies.connections.side_by_side import side_by_side
from sim.studies.connections.table import CONTRIBUTORS, ConnectionTable

LIVES: Final = 50
FEWEST_LIVES: Final = 10
TABLE_ROWS: Final = 500_000
"""Connections times lives that the table of connections takes; fewer lives of a large switch."""
WHOLE: Final = 100_000
"""A switch of more connections is looked at by a sample."""
SAMPLE: Final = 16_384
"""Connections of the sample, evenly spread."""
HIGHEST: Final = 2048
"""Connections looked at besides in each life of a large switch, that stand highest."""
ROWS_AT_ONCE: Final = 8192
"""Connections times lives that are worked on at a time; no figure depends on it."""
N_WORST: Final = 5


class Highest(NamedTuple):
    """The connections of a large switch that stand highest at the end of one life."""

    largest_db: float
    left_out_db: float
    """Estimate of the highest of the others. [dB]"""
    above_db: float
    """Most by which one of them, or of the sample, came out above its estimate. [dB]"""


class LifeEstimate:
    """Estimates the loss of all connections of a large switch at the end of a life."""

    def __init__(self, years: Years, table: ConnectionTable) -> None:
        """Prepare, from the lives of a sample and the table of all connections when new."""
        self._shape, self._form_db = years.ports, years.form_db.mean(axis=0)
        new_db = table.insertion_db
        if years.budget.connectors_remated:
            new_db = new_db - table.losses_db[CONTRIBUTORS.index("connectors")]
        self._kept_db = new_db.reshape(self._shape)
        self._pull = (2.0 * table.error_rad @ self._form_db).reshape(*self._shape, 4)

    def of(self, drawn: EndOfLife) -> Array:
        """Return the estimates (C,), without servo error and band. [dB]"""
        form_db, (a, b) = self._form_db, drawn.shift_rad
        by_a = drawn.gained_db[0] + np.einsum("ni,ij,nj->n", a, form_db[:2, :2], a)
        by_b = drawn.gained_db[1] + np.einsum("ni,ij,nj->n", b, form_db[2:, 2:], b)
        first, second = drawn.connector_db
        if first is not None and second is not None:
            by_a, by_b = by_a + first, by_b + second
        found = self._kept_db + by_a[:, None] + by_b
        found += 2.0 * a @ form_db[:2, 2:] @ b.T
        found += np.einsum("nmi,ni->nm", self._pull[..., :2], a)
        found += np.einsum("nmi,mi->nm", self._pull[..., 2:], b)
        return np.asarray(found.ravel())


def lives_of(connections: int) -> int:
    """Return through how many lives the table of connections takes a switch."""
    return max(FEWEST_LIVES, min(LIVES, TABLE_ROWS // connections))


def many_lives(
    scenario: Scenario, progress: Callable[[int, int], None] | None = None, *,
    lives: int = LIVES, table: ConnectionTable | None = None,
) -> tuple[dict[str, Any], dict[str, Array]]:  # fmt: skip
    """Return what many lives do to the connections of a scenario's switch.

    Parameters
    ----------
    scenario : Scenario
        With `switch.budget`.
    progress : callable, optional
        Called with (lives done, all).
    lives : int
        How many; intervals are of 95 %.
    table : ConnectionTable, optional
        All connections when new. If it has more than `WHOLE`, a sample is looked at, and in each
        life those that stand highest.

    Returns
    -------
    (figures, columns)
        As `connections.json` has them; and (C,) ports, means over the lives, ends of their
        intervals, and shares of the lives over the limit, by their names as columns.
    """
    if table is not None and len(table.inputs) <= WHOLE:
        table = None
    chosen = None if table is None else evenly(len(table.inputs), SAMPLE)
    years = Years(scenario.switch, scenario.mirror, chosen)
    seed, limit_db = scenario.seeds.population, float(years.budget.end_of_life_db)
    new = years.new(seed)
    found, added = [], np.zeros(len(WORDS))
    estimate = None if table is None else LifeEstimate(years, table)
    largest_db, highest, above_db = np.empty(lives), [], 0.0
    step = max(1, ROWS_AT_ONCE // len(years.inputs))

    def lived(some: Ports) -> tuple[Ports, Late, list[Highest]]:
        late = years.late(new, some)
        return some, late, [] if estimate is None else [
            _highest(years, estimate.of(years.drawn(seed, life)), seed, life, late.db[n])
            for n, life in enumerate(map(int, some))
        ]  # fmt: skip

    pieces = (np.arange(first, min(first + step, lives)) for first in range(0, lives, step))
    for some, late, ones in side_by_side(lived, pieces):
        found.append(late.db)
        added += late.added_db.mean(axis=2).sum(axis=1) / lives
        largest_db[some] = late.db.max(axis=1)
        for life, one in zip(some, ones, strict=False):
            largest_db[life] = max(largest_db[life], one.largest_db)
            above_db = max(above_db, one.above_db)
        highest += ones
        if progress is not None:
            progress(int(some[-1]) + 1, lives)
    loss = np.concatenate(found)
    met = int(np.sum(largest_db <= limit_db))
    mean, low, high = mean_intervals(loss)
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
        "max_db": float(largest_db.max()),
        "connections_over_on_the_mean": int(np.sum(mean > limit_db)),
        "looked_at": len(mean),
        "sample": None if not highest else {
            "highest_in_each_life": HIGHEST,
            "others_estimate_db": max(one.left_out_db for one in highest) + above_db,
        },
        "added": dict(zip(WORDS, map(float, added), strict=True)),
        "worst": worst,
    }  # fmt: skip
    columns = {
        "input": years.inputs, "output": years.outputs,
        "end_of_life_db": mean, "end_of_life_low_db": low, "end_of_life_high_db": high,
        "lives_over_share": over / lives,
    }  # fmt: skip
    return figures, columns


def _highest(
    years: Years, stands_db: Array, seed: int, life: int, sample_db: Array
) -> Highest:
    """Look at the connections of all (C,) that stand highest in one life by their estimate.

    `sample_db` is what the connections of the sample come to in that life.
    """
    order = np.argpartition(stands_db, -HIGHEST - 1)
    few: Ports = np.sort(order[-HIGHEST:])
    those = Years(years.switch, years.mirror, few)
    late_db = those.late(those.new(seed), life).db
    return Highest(
        float(late_db.max()), float(stands_db[order[-HIGHEST - 1]]),
        max(
            float((late_db - stands_db[few]).max()),
            float((sample_db - stands_db[years.inputs * years.ports[1] + years.outputs]).max()),
        ),
    )


def _share(over: int, lives: int) -> dict[str, float]:
    low, high = exact_interval(over, lives)
    return {"value": over / lives, "low": low, "high": high}
