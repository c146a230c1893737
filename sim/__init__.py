"""mirrorloop: closed-loop simulation of the mirror servo in a free-space optical cross-connect.

`load_scenario` reads a case, `run` runs it. Both are imported when first used, so that the command
line starts at once.
"""

from typing import Any

__all__ = ["Result", "load_scenario", "run"]


def __getattr__(name: str) -> Any:
    if name == "load_scenario":
        from sim.scenario.model import load_scenario

        return load_scenario
    if name == "run":
        from sim.studies.run.run import run

        return run
    if name == "Result":
        from sim.studies.run.result import Result

        return Result
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
