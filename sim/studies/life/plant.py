"""The switch as slow time needs it: the parts of a run, and what every connection would take."""

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.assembly.build import Built, build
from sim.assembly.plug_ins import plug_in
from sim.assembly.warm import warm_switch
from sim.disturbances import DISTURBANCES
from sim.events.groups import boards_of
from sim.foundations.errors import ScenarioError
from sim.foundations.ports import Array, WithBias, WithChanges, WithDensity, WithSlowTime
from sim.life.params import LifeParams
from sim.life.relaxation import Relaxation, relaxation_of
from sim.optics.budgets import BudgetParams
from sim.optics.links import links
from sim.optics.switch import budget_of
from sim.scenario.model import Scenario
from sim.studies.life.jitter import FastJitter, settled

Index = NDArray[np.int64]
MOST_PAIRS = 300_000


class SlowPlant(NamedTuple):
    """M mirrors, C connections; tables hold every input with every output in use."""

    built: Built
    life: LifeParams
    budget: BudgetParams
    slow: tuple[WithSlowTime[Any], ...]
    biased: tuple[tuple[Relaxation, Array], ...]
    """Response to the drive, and final shift (M, 2) for the whole drive. [rad]"""
    jitter: FastJitter
    least_light: float
    left: Array
    """(M, 2, 2) of a shift of the tilt that a settled loop leaves. [-]"""
    followed: Array
    """(M, 2, 2) of a shift of the reading that it follows. [-]"""
    inputs: Index
    """(C,) ports."""
    outputs: Index
    """(C,) ports, in the order of their mirrors."""
    start: Index
    """(C,) place of the output that each input starts with."""
    aim_a_rad: Array
    """(C, C, 2) by input and place of the output. [rad]"""
    aim_b_rad: Array
    form_db: Array
    """(C, C, 4, 4) [dB/rad^2]"""
    fixed_db: Array
    """(C, C) edges, waists and gap, curvature. [dB]"""
    ports_db: Array
    """(C, C) collimators and combiners. [dB]"""
    mirrors_db: Array
    """(C, C) reflectivity. [dB]"""
    boards: tuple[NDArray[np.bool_], ...]
    """Mirrors (M,) of each driver board that has any in use."""

    @property
    def changing(self) -> list[WithChanges]:
        """Disturbances that say when they change fast."""
        return [d for d in self.slow if isinstance(d, WithChanges)]

    @property
    def n_connections(self) -> int:
        """C."""
        return len(self.inputs)

    def pairs(self, outputs: Index) -> Index:
        """Return the columns (C, 2) of the mirrors of each connection."""
        count = self.n_connections
        return np.stack([np.arange(count), count + outputs], axis=-1)


def slow_plant(scenario: Scenario) -> SlowPlant:
    """Make the parts that slow time needs, at the first power of the switch.

    Raises
    ------
    ScenarioError
        If there is no `[life]` or no `switch.budget`, if a disturbance cannot go in slow time, or
        if the loops do not settle.
    """
    if scenario.life is None:
        raise ScenarioError("life: required for a life, but missing")
    budget = budget_of(scenario.switch, "a life")
    new = scenario.replace(age_h=0.0, disturbances=[_from_new(d) for d in scenario.disturbances])
    built = build(new)
    parts = built.parts
    slow = []
    for i, disturbance in enumerate(parts.disturbances):
        if not isinstance(disturbance, WithSlowTime):
            kind = built.resolved.disturbances[i]["kind"]
            raise ScenarioError(
                f'disturbances.{i}: "{kind}" has no slow time (`slow_state` and `slow`), so a life '
                "cannot take it along"
            )
        slow.append(disturbance)
    biased = [
        (relaxation_of(d.step_response), d.bias_size_rad)
        for d in parts.disturbances
        if isinstance(d, WithBias) and d.bias_size_rad.any()
    ]
    jitter = FastJitter(
        built.resolved.replace(
            disturbances=[
                tree
                for tree, part in zip(built.resolved.disturbances, parts.disturbances, strict=True)
                if _is_fast(part)
            ]
        )
    )
    left, followed = settled(jitter.loop())
    count = len(parts.inputs)
    if len(parts.mirrors) != 2 * count:
        raise ScenarioError(
            "switch.connections: a life needs as many outputs in use as inputs, moves included "
            f"(got {len(parts.mirrors) - count} for {count})"
        )
    if count**2 > MOST_PAIRS:
        raise ScenarioError(
            f"switch.geometry.ports_per_side: a life takes at most {MOST_PAIRS} possible "
            f"connections (got {count**2})"
        )
    ports = scenario.switch.geometry.ports_per_side
    outputs = parts.mirrors[count:] - ports
    boards = boards_of(
        scenario.boards, parts.mirrors, ports, scenario.switch.geometry.outputs
    )
    rows, columns = np.divmod(np.arange(count**2), count)
    warm = warm_switch(new.switch, [
        plug_in(DISTURBANCES, tree, f"disturbances.{i}")
        for i, tree in enumerate(new.disturbances)
    ])  # fmt: skip
    all_links = links(
        warm, scenario.seeds.population, parts.inputs[rows], outputs[columns]
    )
    lost, square = all_links.losses, (count, count)
    return SlowPlant(
        built=built,
        life=scenario.life,
        budget=budget,
        slow=tuple(slow),
        biased=tuple(biased),
        jitter=jitter,
        least_light=jitter.least_light(),
        left=left,
        followed=followed,
        inputs=parts.inputs,
        outputs=outputs,
        start=parts.epochs[0].pairs[:, 1] - count,
        aim_a_rad=all_links.connections.tilt_a_rad.reshape(*square, 2),
        aim_b_rad=all_links.connections.tilt_b_rad.reshape(*square, 2),
        form_db=all_links.form_db.reshape(*square, 4, 4),
        fixed_db=(lost.clipping_db + lost.mode_db + lost.curvature_db).reshape(square),
        ports_db=(lost.combiners_db + lost.collimators_db).reshape(square),
        mirrors_db=lost.reflectivity_db.reshape(square),
        boards=tuple(own for own in boards.values() if own.any()),
    )


def _is_fast(disturbance: Any) -> bool:
    """Whether a disturbance is part of the jitter: it states a density, or shakes all the time."""
    if isinstance(disturbance, WithDensity):
        return True
    return getattr(disturbance, "event", disturbance) is None


def _from_new(tree: dict[str, Any]) -> dict[str, Any]:
    """Return a disturbance that counts from first power, with nothing corrected before."""
    return {key: 0.0 if key == "uncorrected_h" else value for key, value in tree.items()}
