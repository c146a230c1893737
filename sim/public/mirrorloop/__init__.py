"""mirrorloop: closed-loop simulation of the mirror servo in a free-space optical cross-connect."""

from sim import Result, load_scenario, run

__all__ = ["Result", "load_scenario", "run"]
