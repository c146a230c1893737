"""The parts that a scenario names by their kind, their settings checked."""

from typing import NamedTuple

from controllers import CONTROLLERS, SHAPERS
from sim.assembly.plug_ins import PlugIn, plug_in
from sim.disturbances import DISTURBANCES
from sim.estimators import ESTIMATORS
from sim.events import EVENTS
from sim.foundations.kinds.outside import Outside
from sim.health import WATCHES
from sim.scenario.model import Scenario


class NamedParts(NamedTuple):
    """Every part that a scenario names, found, and not yet made."""

    estimator: PlugIn
    controller: PlugIn
    shaping: PlugIn
    disturbances: tuple[PlugIn, ...]
    events: tuple[PlugIn, ...]
    watch: PlugIn | None

    @property
    def outside(self) -> tuple[Outside, ...]:
        """Where the code is of those that do not come with mirrorloop."""
        every = (
            self.estimator, self.controller, self.shaping, *self.disturbances, *self.events,
            *(() if self.watch is None else (self.watch,)),
        )  # fmt: skip
        return tuple(part.outside for part in every if part.outside is not None)

    def resolved(self, scenario: Scenario) -> Scenario:
        """Return the scenario with every default of its parts filled in."""
        health = scenario.health
        if health is not None and self.watch is not None:
            health = health.replace(watch=self.watch.written)
        return scenario.replace(
            estimator=self.estimator.written,
            controller=self.controller.written,
            shaping=self.shaping.written,
            disturbances=[part.written for part in self.disturbances],
            events=[part.written for part in self.events],
            health=health,
        )


def parts_named(scenario: Scenario, *, load: bool = True) -> NamedParts:
    """Find the parts that a scenario names, and check their settings.

    Parameters
    ----------
    scenario : Scenario
        As read.
    load : bool
        Whether code from outside may be run; without it such parts are only looked for.

    Raises
    ------
    ScenarioError
        If there is no such part, or one refuses its settings.
    """
    health = scenario.health
    return NamedParts(
        plug_in(ESTIMATORS, scenario.estimator, "estimator", load=load),
        plug_in(CONTROLLERS, scenario.controller, "controller", load=load),
        plug_in(SHAPERS, scenario.shaping, "shaping", load=load),
        tuple(
            plug_in(DISTURBANCES, tree, f"disturbances.{i}", load=load)
            for i, tree in enumerate(scenario.disturbances)
        ),
        tuple(
            plug_in(EVENTS, tree, f"events.{i}", load=load)
            for i, tree in enumerate(scenario.events)
        ),
        None if health is None else plug_in(WATCHES, health.watch, "health.watch", load=load),
    )
