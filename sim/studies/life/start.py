"""A run of the full loop at any age of a life."""

from collections.abc import Callable
from typing import NamedTuple

from sim.foundations.errors import ScenarioError
from sim.foundations.files.text import counted
from sim.life.condition import Condition
from sim.scenario.model import Scenario
from sim.studies.life.march import March
from sim.studies.life.plant import SlowPlant, slow_plant
from sim.studies.life.schedule import HOUR_S, YEAR_S, schedule
from sim.studies.life.state import State

LEAST_LIGHT = 1e-3
"""Share of the first light that a run has while the lamp is out: nothing can be read. [-]"""


class LateStart(NamedTuple):
    """What a run that starts late needs."""

    scenario: Scenario
    condition: Condition


def start_at(
    scenario: Scenario, year: float, progress: Callable[[int, int], None] | None = None
) -> LateStart:
    """Follow a life up to an age, and return what a run of the full loop starts with there.

    The run has the connections, alignment, calibration, light and losses of that age; drifts that
    go by age are where they are then, and what the loop has corrected of them it corrects again in
    its first frames. Random wander starts anew.

    Parameters
    ----------
    scenario : Scenario
        With `[life]`.
    year : float
        Age. [years]
    progress : callable, optional
        Called with (rows done, all rows).

    Raises
    ------
    ScenarioError
        If there is no life, it is shorter, or a part cannot go in slow time.
    """
    plant = slow_plant(scenario)
    if not 0 < year <= plant.life.years:
        raise ScenarioError(
            "--at-year: must lie above 0 and within the life of "
            f"{counted(plant.life.years, 'year')} (got {year:g})"
        )
    march = March(plant, plant.life.step_h * HOUR_S)
    events = schedule(
        plant.life, scenario.seeds.noise, plant.n_connections, len(plant.boards),
        year * YEAR_S, 20,
    )  # fmt: skip
    done = [0]

    def tell(_: float) -> None:
        done[0] += 1
        if progress is not None:
            progress(done[0], 20)

    return start_of(plant, march, march.live(events, tell).last)


def start_of(plant: SlowPlant, march: March, state: State) -> LateStart:
    """Return what a run needs to start from a state of a life."""
    scenario = plant.built.resolved
    age_h = state.time_s / HOUR_S
    light = max(state.light, LEAST_LIGHT)
    wired = tuple(
        (int(a), int(b))
        for a, b in zip(plant.inputs, plant.outputs[state.outputs], strict=True)
    )
    late = scenario.replace(
        age_h=age_h,
        switch=scenario.switch.replace(connections=wired),
        camera=scenario.camera.replace(signal_e=scenario.camera.signal_e * light),
        disturbances=[
            {k: age_h if k == "uncorrected_h" else v for k, v in tree.items()}
            for tree in scenario.disturbances
        ],
    )
    return LateStart(late, Condition(
        alignment_rad=state.offset_rad,
        calibration_ratio=state.calibration,
        gained_db=march.gained_db(state),
    ))  # fmt: skip
