"""mirrorloop: closed-loop simulation of the mirror servo in a free-space optical cross-connect."""

from sim import Result, load_scenario, run
from sim.studies.connections.study import study as connections

__all__ = ["Result", "connections", "load_scenario", "run"]
