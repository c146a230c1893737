"""The health watch of a run, from the scenario."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.assembly.plug_ins import PlugIn, made
from sim.assembly.stand_ins import StandIn
from sim.foundations.errors import ScenarioError
from sim.foundations.ports import Array, Clock, PlantBelief
from sim.loop.health import LEAST_REACTION, Attendant
from sim.optics.epochs import Epoch, rewired
from sim.optics.switch import SwitchParams
from sim.scenario.model import Scenario


def spares_of(scenario: Scenario) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Return the spare input and output ports whose mirrors take part."""
    if scenario.health is None:
        return (), ()
    return scenario.health.spare_inputs, scenario.health.spare_outputs


def attendant_of(
    scenario: Scenario, plug_in: PlugIn | None, belief: PlantBelief, clock: Clock,
    mirrors: NDArray[np.int64], switch: SwitchParams, gained_db: Array | None, *, coded: bool,
) -> Attendant | None:  # fmt: skip
    """Return what watches over the mirrors of a run; None if the scenario has no such watch.

    Parameters
    ----------
    scenario : Scenario
        As read.
    plug_in : PlugIn, optional
        Its watch.
    belief : PlantBelief
        What the firmware assumes.
    clock : Clock
        Time base of the run.
    mirrors : (M,) ndarray of int
        Numbers of the mirrors in the run.
    switch : SwitchParams
        As warm as it is in the run.
    gained_db : (C,) ndarray, optional
        What years have added to the aligned losses. [dB]
    coded : bool
        Whether the drive's codes are made from whole numbers.

    Raises
    ------
    ScenarioError
        If what the switch is to do about alarms cannot be done in this run.
    """
    health = scenario.health
    if health is None or plug_in is None:
        return None
    react = round(1e-3 * health.react_ms / clock.frame_s)
    if react < LEAST_REACTION:
        raise ScenarioError(
            f"health.react_ms: must be {LEAST_REACTION} frames at least, "
            f"{1e3 * LEAST_REACTION * clock.frame_s:g} ms (got {health.react_ms:g})"
        )
    actions, ports = health.actions.by_kind(), scenario.switch.geometry.ports_per_side
    if "re_route" in actions and any(move.stages for move in scenario.switch.moves):
        raise ScenarioError(
            "health.actions: re_route cannot be combined with moves in stages "
            "(switch.moves.*.stages)"
        )
    if "re_route" in actions and not any(spares_of(scenario)):
        raise ScenarioError(
            "health.actions: re_route needs health.spare_inputs or health.spare_outputs"
        )
    if "re_aim" in actions and coded:
        raise ScenarioError(
            "health.actions: re_aim cannot be combined with controller.arithmetic, whose words "
            "hold the believed gains"
        )

    def rewire(epoch: Epoch, before: Array, pairs: NDArray[np.int64], frame: int) -> Epoch:
        found = rewired(
            switch, mirrors, epoch, before, pairs, frame=frame, frame_s=clock.frame_s,
            population_seed=scenario.seeds.population,
        )  # fmt: skip
        if gained_db is None:
            return found
        return found._replace(aligned_db=found.aligned_db + gained_db)

    inputs, outputs = spares_of(scenario)
    columns = tuple(
        tuple(int(c) for c in np.searchsorted(mirrors, np.asarray(spare) + offset))
        for spare, offset in ((inputs, 0), (outputs, ports))
    )
    watch: Any = StandIn() if plug_in.part is None else made(plug_in, belief)
    return Attendant(
        watch, actions, react, (columns[0], columns[1]), int((mirrors < ports).sum()), rewire
    )


