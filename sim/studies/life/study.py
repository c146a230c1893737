"""One life of one switch: what becomes of its losses, and when it leaves its budget."""

import datetime
from collections.abc import Callable
from typing import Any, Final, NamedTuple

import numpy as np

from sim.scenario.model import Scenario
from sim.studies.built.spares import least_largest
from sim.studies.life.lived import Lived
from sim.studies.life.march import March
from sim.studies.life.plant import SlowPlant, slow_plant
from sim.studies.life.schedule import HOUR_S, YEAR_S, What, schedule
from sim.studies.life.totals import CAUSES, CONTRIBUTORS, LIMITS, Row
from sim.studies.run.provenance import now

HAPPEN: Final = tuple(what for what in What if what not in (What.ROW, What.CHANGE))
SPARES_TRIED: Final = (0, 1, 2, 4)
"""Spare ports a side."""
FEW: Final = 8
"""Spares are at most one in so many ports."""
ROWS: Final = 60
"""Rows of the table of a life."""


class Life(NamedTuple):
    """One life of one switch, with what it was made from."""

    scenario: Scenario
    plant: SlowPlant
    lived: Lived
    years: float
    started: datetime.datetime

    @property
    def rows(self) -> list[Row]:
        """The table of the life."""
        return self.lived.rows


def live(
    scenario: Scenario,
    years: float | None = None,
    *,
    rows: int = ROWS,
    progress: Callable[[int, int], None] | None = None,
) -> Life:
    """Follow one switch through its life.

    Parameters
    ----------
    scenario : Scenario
        With `[life]` and `switch.budget`.
    years : float, optional
        How long; the design life if left out.
    rows : int
        Rows of the table.
    progress : callable, optional
        Called with (rows done, all rows).

    Returns
    -------
    Life

    Raises
    ------
    ScenarioError
        If a part cannot go in slow time, or the loops do not settle.
    """
    started = now()
    plant = slow_plant(scenario)
    length = plant.life.years if years is None else years
    events = schedule(
        plant.life, scenario.seeds.noise, plant.n_connections, len(plant.boards),
        length * YEAR_S, rows,
    )  # fmt: skip
    done = [0]

    def tell(_: float) -> None:
        done[0] += 1
        if progress is not None:
            progress(done[0], rows)

    lived = March(plant, plant.life.step_h * HOUR_S).live(events, tell)
    return Life(scenario, plant, lived, length, started)


def results_of(life: Life) -> dict[str, Any]:
    """Return what `life.json` holds of one life."""
    rows, spares = life.rows, _spares(life)
    travel_rad = 1e-3 * np.array(life.scenario.mirror.travel_mrad)
    hours = np.array([row.hours for row in rows])
    in_all = float(hours.sum()) * life.plant.n_connections
    out = {cause: sum(row.out_h[cause] for row in rows) for cause in CAUSES}
    return {
        "years": [row.year for row in rows],
        "design_years": life.plant.life.years,
        "mean_db": [float(row.mean_db.mean()) for row in rows],
        "median_db": [float(np.median(row.mean_db)) for row in rows],
        "p95_db": [float(np.percentile(row.mean_db, 95)) for row in rows],
        "max_db": [_largest(row) for row in rows],
        "worst": _worst(life),
        "max_with_spares_db": [
            least_largest(row.pairs, row.pair_peak_db, spares, spares) for row in rows
        ],
        "spares": spares,
        "spare_ports": _spare_ports(rows, life.plant.n_connections),
        "limits_db": {name: getattr(life.plant.budget, f"{name}_db") for name in LIMITS},
        "missed_at_years": {
            name: None if miss is None else miss.time_s / YEAR_S
            for name, miss in life.lived.first_miss.items()
        },
        "missed_by": {
            name: None if miss is None
            else {"cause": miss.cause, "input": int(life.plant.inputs[miss.connection])}
            for name, miss in life.lived.first_miss.items()
        },
        "availability": {
            "share": 1.0 - sum(out.values()) / in_all,
            "connection_hours": in_all,
            "out_by_cause_h": out,
        },
        "contributors": {
            name: [row.contributors_db[name] for row in rows] for name in CONTRIBUTORS
        },
        "headroom": {
            "drive_share_max": [float(row.drive_share.max()) for row in rows],
            "travel_share_max": [float((row.tilt_rad / travel_rad).max()) for row in rows],
            "correction_max_urad": [1e6 * float(np.abs(row.correction_rad).max()) for row in rows],
            "correction_rms_urad": [
                1e6 * float(np.sqrt((row.correction_rad**2).sum(axis=1).mean())) for row in rows
            ],
        },
        "temperature_c": [row.celsius for row in rows],
        "light_share": [row.light for row in rows],
        "events": {what.name.lower(): life.lived.counts[what] for what in HAPPEN},
        "episodes_lived": {
            one.name: sum(event.number == n for event, _ in life.lived.at_episodes)
            for n, one in enumerate(life.plant.life.episodes)
        },
        "steps": life.lived.steps,
        "budget": end_of_life(life),
    }


def end_of_life(life: Life) -> dict[str, float]:
    """Return the end of this life in the terms of `switch.budget`, for `yield`.

    Ageing is per mirror and per port, over the life; the shift is the settled pointing error per
    axis, rms over mirrors and the last tenth of the life; servo is the jitter per axis.
    """
    plant, last = life.plant, life.lived.last
    share = last.effective_h / (plant.life.years * 8766.0)
    b = plant.budget
    tail = life.rows[-max(1, len(life.rows) // 10) :]
    shift = np.sqrt(np.mean([(row.error_rad**2).mean() for row in tail]))
    jitter = plant.jitter.variance_rad2(max(last.light, plant.least_light), 0.0)
    return {
        "mirror_ageing_db": b.mirror_ageing_db * share,
        "mirror_ageing_sd_db": b.mirror_ageing_sd_db * share,
        "port_ageing_db": b.port_ageing_db * share,
        "port_ageing_sd_db": b.port_ageing_sd_db * share,
        "shift_urad": 1e6 * float(shift),
        "servo_urad": 1e6 * float(np.sqrt(jitter.mean())),
        "warming_k": 0.0,
    }


def _worst(life: Life) -> dict[str, Any]:
    """Return the largest loss of the life: of which input, and when."""
    peaks = np.stack([row.peak_db for row in life.rows])
    row, connection = np.unravel_index(int(np.nanargmax(peaks)), peaks.shape)
    return {
        "max_db": float(peaks[row, connection]),
        "input": int(life.plant.inputs[connection]),
        "year": life.rows[int(row)].year,
    }


def _spares(life: Life) -> int:
    wanted = life.plant.budget.ports_in_service
    return 0 if wanted is None else max(0, life.plant.n_connections - wanted)


def connections_of(life: Life) -> dict[str, list[float | int | None]]:
    """Return the loss of every connection over the life, a column each, a row for each input.

    The connection of an input changes as ports are connected anew. Median and 95th percentile are
    over the rows of the table, of the mean of each; `max_db` is of any step.
    """
    mean = np.stack([row.mean_db for row in life.rows])
    peak = np.stack([row.peak_db for row in life.rows])
    when = np.where(np.isfinite(peak), peak, -np.inf).argmax(axis=0)
    largest = peak[when, np.arange(peak.shape[1])]
    dark = ~np.isfinite(largest)
    years = np.array([row.year for row in life.rows])[when]
    hours = np.sum([row.connection_out_h for row in life.rows], axis=0)
    return {
        "input": [int(port) for port in life.plant.inputs],
        "new_db": mean[0].tolist(),
        "end_db": mean[-1].tolist(),
        "median_db": np.median(mean, axis=0).tolist(),
        "p95_db": np.percentile(mean, 95, axis=0).tolist(),
        "max_db": [None if d else float(v) for v, d in zip(largest, dark, strict=True)],
        "max_at_year": [None if d else float(v) for v, d in zip(years, dark, strict=True)],
        "out_h": hours.tolist(),
    }


def _spare_ports(rows: list[Row], count: int) -> list[dict[str, float | int | None]]:
    """Return what the largest loss of the last fifth is with spare ports left dark, best chosen."""
    last = rows[-max(1, len(rows) // 5) :]
    pairs = np.concatenate([row.pairs for row in last])
    peaks = np.concatenate([row.pair_peak_db for row in last])
    return [
        {"spares": n, "max_db": least_largest(pairs, peaks, n, n)}
        for n in SPARES_TRIED if n <= count // FEW
    ]


def _largest(row: Row) -> float | None:
    """Return the largest loss of a row; None if all was dark. [dB]"""
    peaks = row.peak_db[np.isfinite(row.peak_db)]
    return float(peaks.max()) if len(peaks) else None


