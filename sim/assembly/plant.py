"""The switch of a run: its mirrors, what they are connected to, and how the drive moves them."""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.assembly.calibrated import calibrated_population
from sim.assembly.health import spares_of
from sim.assembly.plug_ins import PlugIn
from sim.assembly.warm import carrying_light, warm_switch, while_warming
from sim.calibration.results import Beliefs
from sim.foundations.ports import Array, Beams, Clock
from sim.life.condition import Condition
from sim.loop.reference import Command
from sim.mirror.population import Population, draw_population
from sim.mirror.propagator import Drive, Fleet, make_drive, make_fleet
from sim.optics.epochs import Epoch, connected_epochs
from sim.optics.switch import SwitchParams
from sim.scenario.model import Scenario


class SwitchPlant(NamedTuple):
    """What the loop steers."""

    switch: SwitchParams
    """As warm as steady light makes its mirrors."""
    mirrors: NDArray[np.int64]
    """(M,) numbers of the simulated mirrors."""
    inputs: NDArray[np.int64]
    """(C,) connected input ports."""
    epochs: tuple[Epoch, ...]
    epoch_frames: tuple[int, ...]
    """Frame at which each epoch starts."""
    population: Population
    believed_gain: Array
    """(2, M) tilt per volt, or per volt squared, that each drive was calibrated to."""
    drive: Drive
    drive_limit_rad: Array
    """(M, 2) largest static tilt that the drive can ask for, as believed. [rad]"""
    commands: tuple[Command, ...]
    """Where the mirrors are aimed, and from which frame."""
    beams: Beams
    """Which mirrors carry light."""
    warnings: tuple[str, ...]
    """What is to be said of losses while mirrors warm."""


def drawn_mirrors(
    scenario: Scenario, clock: Clock, disturbances: Sequence[PlugIn], *,
    beliefs: Beliefs | None, condition: Condition | None, to_run: bool = True,
) -> SwitchPlant:  # fmt: skip
    """Draw the mirrors of a scenario and connect them.

    Parameters
    ----------
    scenario : Scenario
        As read.
    clock : Clock
        Of the run.
    disturbances : sequence of PlugIn
        Those that warm mirrors by their light bend them from the start.
    beliefs : Beliefs or None
        What the firmware goes by after a calibration.
    condition : Condition or None
        What years have made of the switch; as built if None.
    to_run : bool
        Whether losses are asked for. Without it every connector has the mean loss: to draw from
        their distribution takes a library that is slow to load.

    Raises
    ------
    ScenarioError
        If the connections cannot be made, or the mirrors bend too far.
    ProfileError
        If a measured population cannot be used.
    """
    seeds = scenario.seeds
    drive = make_drive(scenario.drive, scenario.engine.substeps)
    switch = warm_switch(scenario.switch, disturbances)
    wired = switch if to_run else _alike_connectors(switch)
    mirrors, inputs, epochs, epoch_frames = connected_epochs(
        wired, clock, seed=seeds.connections, population_seed=seeds.population,
        spares=spares_of(scenario),
    )  # fmt: skip
    warming = while_warming(scenario.switch, switch, inputs, epochs, seeds.population)
    population = draw_population(
        scenario.mirror, mirrors, seeds.population, scenario.drive.calibration_error_pct
    )
    population = calibrated_population(population, mirrors, beliefs)
    if condition is not None:
        population, epochs = _aged(population, epochs, condition)
    gain = scenario.drive.gain * population.gain_ratio * population.calibration_ratio
    believed_gain = np.ascontiguousarray(gain.T)
    swing = drive.lsb_v * (drive.codes - 1)
    commands = tuple(
        Command(stage.frame, stage.aim_rad + population.alignment_rad)
        for epoch in epochs
        for stage in epoch.stages
    )
    first_output = int((mirrors < scenario.switch.geometry.ports_per_side).sum())
    return SwitchPlant(
        switch, mirrors, inputs, epochs, epoch_frames, population, believed_gain, drive,
        believed_gain.T * (swing**2 if drive.square else swing),
        commands, carrying_light(epochs, len(mirrors), first_output), warming,
    )  # fmt: skip


def fleet_of(scenario: Scenario, plant: SwitchPlant) -> Fleet:
    """Return the constants of the mirrors' motion."""
    return make_fleet(scenario.mirror, plant.population, scenario.drive.gain, plant.drive)


def _alike_connectors(switch: SwitchParams) -> SwitchParams:
    return switch.replace(optics=switch.optics.replace(connector_sd_db=0.0))


def _aged(
    population: Population, epochs: tuple[Epoch, ...], condition: Condition
) -> tuple[Population, tuple[Epoch, ...]]:
    """Return mirrors and connections after years."""
    late = population._replace(
        alignment_rad=condition.alignment_rad, calibration_ratio=condition.calibration_ratio
    )
    return late, tuple(
        epoch._replace(aligned_db=epoch.aligned_db + condition.gained_db) for epoch in epochs
    )
