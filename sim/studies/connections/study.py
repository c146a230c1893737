"""The study of all connections of one switch, from a scenario to its figures."""

import datetime
from collections.abc import Callable
from typing import Any, Final, NamedTuple

import numpy as np

from sim.foundations.errors import ScenarioError
from sim.foundations.ports import Array
from sim.optics.budgets import Aiming
from sim.scenario.model import Scenario
from sim.studies.connections.calibration import CalibrationEffort, calibrated_table, evenly
from sim.studies.connections.many_lives import WHOLE, lives_of, many_lives
from sim.studies.connections.side_by_side import meanwhile
from sim.studies.connections.summary import (
    BudgetVerdict,
    aiming_of,
    band_of,
    contributors_of,
    crosstalk_words,
    order_of,
    spare_travel,
    summary_of,
    verdict_of,
    worst_of,
)
from sim.studies.connections.table import CONTRIBUTORS, ConnectionTable, Maker
from sim.studies.connections.traffic import assigned, moving, standing
from sim.studies.run.provenance import now

LEVELS: Final[tuple[Aiming, ...]] = ("dead_reckoning", "calibrated", "peaked")
LEVEL_SAMPLE: Final = 4096
"""Connections on which the levels of aiming are compared; all of a small switch."""
PER_PORT: Final = (3, 4, 6, 12)
MANY_PORTS: Final = 256
"""In a larger switch the fit is made for the scenario's own number of connections a port alone."""
READING_URAD: Final = 8.0
"""Scatter of one peaked tilt from which the table is made, per axis, unless peaking says else."""


RECEIVED: Final = (
    ("offset_x", "mm_per_rad", 1e3), ("offset_y", "mm_per_rad", 1e3),
    ("slope_x", "rad_per_rad", 1.0), ("slope_y", "rad_per_rad", 1.0),
)  # fmt: skip
"""Rows of the Jacobian: of the ray in the plane of the receiving collimator."""


class AimingLevel(NamedTuple):
    """What one way of aiming costs."""

    level: str
    figures: dict[str, Any]
    mean_db: float
    p99_db: float
    max_db: float
    dark: int
    """Connections with a loss beyond 40 dB."""


class ConnectionStudy(NamedTuple):
    """Everything about the connections of one switch."""

    scenario: Scenario
    table: ConnectionTable
    spare: Array
    """(C,) share of the travel left. [-]"""
    summary: dict[str, Any]
    contributors: dict[str, float]
    band: dict[str, Any] | None
    aiming: dict[str, Any]
    levels: tuple[AimingLevel, ...]
    level_count: int
    """Connections on which the levels are compared."""
    calibrations: tuple[CalibrationEffort, ...]
    crosstalk: dict[str, Any]
    """Light in wrong outputs, standing, and while the first move is made."""
    assignment: dict[str, Any] | None
    """Travel of the first move as asked, and with outputs chosen."""
    bulk: dict[str, Any] | None
    """The first move through the loop."""
    bulk_in_order: dict[str, Any] | None
    """The same in the stages of the order that the limit of crosstalk asks for, if it does."""
    bulk_by_order: dict[str, dict[str, Any]]
    """The same in the stages of every order tried that has some."""
    bulk_chosen: dict[str, Any] | None
    """The move to outputs chosen for the least longest travel, all mirrors at once."""
    staged: Scenario | None
    """The scenario with those stages."""
    jacobian: Array | None
    """(C, 4, 4) at the receiver; None for a large switch, if it was not asked for."""
    late: dict[str, Any] | None
    """What many lives do to it; None without a budget."""
    late_columns: dict[str, Array]
    """(C,) the same of each connection, or of each in the sample of a large switch."""
    worst: list[dict[str, Any]]
    verdict: BudgetVerdict
    started: datetime.datetime
    end_of_life: str = ""
    """Which life the end of life is of, if it is taken over from one."""


def study(
    scenario: Scenario, progress: Callable[[int, int], None] | None = None, *, move: bool = False,
    jacobian: bool = False,
    plan_progress: Callable[[int, int], None] | None = None,
    lives_progress: Callable[[int, int], None] | None = None, end_of_life: str = "",
) -> ConnectionStudy:  # fmt: skip
    """Work out every connection of the switch of a scenario.

    Parameters
    ----------
    scenario : Scenario
        Its `switch`, its `mirror` and the seed of the population are used.
    progress : callable, optional
        Called with (finished connections, all connections).
    move : bool
        Whether the first move is run through the loop, as it stands and in the order that keeps the
        limit of crosstalk.
    jacobian : bool
        Whether the Jacobian of every connection of a large switch is worked out, too; those of its
        worst are in any case.
    plan_progress : callable, optional
        Called with (steps of the search of an order, all), where one is searched.
    lives_progress : callable, optional
        Called with (lives done, all), where there is a budget.
    end_of_life : str
        What is to be said of where the end of life comes from, if not from the scenario.

    Returns
    -------
    ConnectionStudy

    Raises
    ------
    ScenarioError
        If the move is to be run and there is none.
    """
    if move and not scenario.switch.moves:
        raise ScenarioError("switch.moves: --move needs a move, but there is none")
    started = now()
    maker = Maker(scenario.switch, scenario.mirror, scenario.seeds.population)
    table = maker.whole(progress)
    spare = spare_travel(table, scenario.mirror.travel_mrad)
    budget = scenario.switch.budget
    summary = summary_of(table, budget, spare)
    band = band_of(table, budget)
    worst = worst_of(table, spare)
    ports = (np.array([row[side] for row in worst]) for side in ("input", "output"))
    for row, jacobian_of in zip(worst, maker.jacobian(*ports), strict=True):
        row["jacobian"] = jacobian_of.tolist()
    culprit = (
        f"in {worst[0]['input']} -> out {worst[0]['output']}; "
        + ("more than the mean: " + ", ".join(worst[0]["reasons"]) if worst[0]["reasons"] else "")
    ).strip("; ")
    whole = maker.n_connections <= WHOLE
    with meanwhile(_levels, scenario, maker, worth=not whole) as compared:
        moved = moving(scenario, maker, plan_progress) or {}
        crosstalk = {"standing": standing(scenario, maker), "move": moved or None}
        order = order_of(moved)
        stages = None if order is None else moved[order].get("stages")
        in_stages: dict[str, Scenario] = {}
        if stages is not None:
            from sim.studies.connections.as_scenario import with_stages  # loads the whole loop

            in_stages = {
                name: with_stages(scenario, row["stages"])
                for name, row in moved.items() if "stages" in row
            }  # fmt: skip
        staged = in_stages.get(order or "")
        bulk, bulk_chosen, by_order = None, None, {}
        assignment = assigned(scenario, maker)
        if move:
            from sim.studies.connections.bulk import bulk_move

            bulk = bulk_move(scenario, maker)
            if assignment is not None:
                chosen = assignment["least_max"]["pairs"]
                bulk_chosen = bulk_move(_with_pairs(scenario, chosen), maker)
            by_order = {name: bulk_move(one, maker) for name, one in in_stages.items()}
        in_order = by_order[str(order)] | {"order": order} if staged is not None and move else None
        loop = bulk if in_order is None else in_order
        limit_db = None if budget is None else budget.crosstalk_db
        words = None if limit_db is None else crosstalk_words(crosstalk, limit_db, loop)
        late: dict[str, Any] | None = None
        late_columns: dict[str, Array] = {}
        if budget is not None:
            lives = lives_of(maker.n_connections)
            late, late_columns = many_lives(scenario, lives_progress, lives=lives, table=table)
        levels, level_count, calibrations = compared()
    return ConnectionStudy(
        scenario=scenario,
        table=table,
        spare=spare,
        summary=summary,
        contributors=contributors_of(table),
        band=band,
        aiming=aiming_of(scenario.switch, table, maker.n_connections),
        levels=levels,
        level_count=level_count,
        calibrations=calibrations,
        crosstalk=crosstalk,
        assignment=assignment,
        bulk=bulk,
        bulk_in_order=in_order,
        bulk_by_order=by_order,
        bulk_chosen=bulk_chosen,
        staged=staged,
        jacobian=maker.jacobians(table) if jacobian or whole else None,
        late=late,
        late_columns=late_columns,
        worst=worst,
        verdict=verdict_of(summary, band, culprit, words, late, loop),
        started=started,
        end_of_life=end_of_life,
    )


def _with_pairs(scenario: Scenario, pairs: list[list[int]]) -> Scenario:
    """Return the scenario with its first move to these connections, all mirrors at once."""
    moves = [move.model_dump() for move in scenario.switch.moves]
    moves[0] |= {"connections": pairs, "stages": []}
    return scenario.replace(switch=scenario.switch.replace(moves=moves).model_dump())


def _levels(
    go_on: Callable[[], None], scenario: Scenario, maker: Maker
) -> tuple[tuple[AimingLevel, ...], int, tuple[CalibrationEffort, ...]]:
    """Compare the levels of aiming; nothing without a section that states their errors."""
    aiming = scenario.switch.aiming
    if aiming is None:
        return (), 0, ()
    chosen = evenly(maker.n_connections, LEVEL_SAMPLE)
    inputs, outputs = np.divmod(chosen, maker.geometry.ports_out)
    found = []
    for level in LEVELS:
        go_on()
        switch = scenario.switch.replace(aiming=aiming.replace(level=level).model_dump())
        one = Maker(switch, scenario.mirror, scenario.seeds.population)
        table = one.table(inputs, outputs)
        figures = aiming_of(switch, table, maker.n_connections)
        loss = table.insertion_db
        found.append(
            AimingLevel(
                level, figures, float(loss.mean()), float(np.percentile(loss, 99)),
                float(loss.max()), int(np.sum(loss > 40.0)),
            )
        )  # fmt: skip
    calibrations = []
    for per_port in sorted(
        {aiming.table_per_port, *(PER_PORT if maker.geometry.ports_out <= MANY_PORTS else ())}
    ):
        if per_port < maker.geometry.ports_out:
            go_on()
            calibrations.append(calibrated_table(maker, per_port, READING_URAD))
    return tuple(found), len(inputs), tuple(calibrations)


def results_of(found: ConnectionStudy) -> dict[str, Any]:
    """Return what `connections.json` holds."""
    return {
        "summary": found.summary,
        "contributors": found.contributors,
        "aiming": {
            **found.aiming,
            "levels": [
                {**row.figures, "mean_db": row.mean_db, "p99_db": row.p99_db,
                 "max_db": row.max_db, "dark": row.dark, "connections": found.level_count}
                for row in found.levels
            ],
            "calibration": [c._asdict() for c in found.calibrations],
        },
        "band": found.band,
        "end_of_life": found.late,
        "crosstalk": found.crosstalk,
        "assignment": found.assignment,
        "bulk_move": found.bulk,
        "bulk_move_in_order": found.bulk_in_order,
        "bulk_moves_by_order": found.bulk_by_order,
        "bulk_move_outputs_chosen": found.bulk_chosen,
        "worst": found.worst,
        "verdict": found.verdict.text,
        "met": found.verdict.good,
    }  # fmt: skip


def columns_of(table: ConnectionTable) -> dict[str, tuple[Any, int]]:
    """Return the columns of `connections.csv`, each with its decimals."""
    tilts = 1e3 * table.tilt_rad
    degrees = np.rad2deg(table.incidence_rad)
    return {
        "input": (table.inputs, 0),
        "output": (table.outputs, 0),
        "insertion_db": (table.insertion_db, 5),
        **{
            f"{name}_db": (values, 5)
            for name, values in zip(CONTRIBUTORS, table.losses_db, strict=True)
        },
        "path_mm": (1e3 * table.path_m, 4),
        "incidence_a_deg": (degrees[:, 0], 4),
        "incidence_b_deg": (degrees[:, 1], 4),
        **{
            f"tilt_{name}_mrad": (tilts[:, k], 5) for k, name in enumerate(("ax", "ay", "bx", "by"))
        },
    }


def geometry_columns(found: ConnectionStudy) -> dict[str, tuple[Any, int]]:
    """Return the columns of `geometry.csv`, each with its decimals.

    The travel left, and the Jacobian, if there is one: offset in mm a rad, slope in rad a rad.
    """
    jacobian = found.jacobian
    return {
        "input": (found.table.inputs, 0),
        "output": (found.table.outputs, 0),
        "spare_travel_pct": (100.0 * found.spare, 4),
        **({} if jacobian is None else {
            f"{what}_per_{tilt}_{unit}": (scale * jacobian[:, row, column], 5)
            for row, (what, unit, scale) in enumerate(RECEIVED)
            for column, tilt in enumerate(("ax", "ay", "bx", "by"))
        }),
    }
