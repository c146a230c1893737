"""By which way an event reaches a figure: what it would be without the one or the other."""

from collections.abc import Callable, Iterator
from typing import Final, NamedTuple

from sim.foundations.files.text import counted
from sim.scenario.model import Scenario
from sim.studies.replay.figures import case_figures
from sim.studies.run.make import Run, make_run

LEAST: Final = 0.2
"""A contributor is named if the figure falls by this share without it."""
FAR: Final = 1e3


class Mechanism(NamedTuple):
    """Why a limit is missed."""

    words: str
    fell_to: dict[str, float | None]
    """Contributor -> what the figure is without it."""


def contributors(scenario: Scenario, *, struck: bool) -> Iterator[tuple[str, Scenario]]:
    """Yield what acceleration acts through, and the scenario without it."""
    if scenario.bracket is not None:
        words = "the camera's bracket, which bends and the loop follows"
        yield words, scenario.replace(bracket=None)
    mirror = scenario.mirror.model_dump(mode="json")
    none = [[0.0, 0.0, 0.0], [0.0, 0.0, 0.0]]
    still = {"imbalance_rad_s2_per_m_s2": none, "imbalance_spread_rad_s2_per_m_s2": 0.0}
    if not isinstance(mirror.get("population"), str):
        yield "the mirrors' imbalance", scenario.replace(mirror=mirror | still)
    if scenario.isolator is not None:
        mounts = scenario.isolator
        if struck:
            free = [FAR * gap for gap in mounts.clearance_mm]
            yield (
                "the stops that the core strikes",
                scenario.replace(isolator=mounts.model_dump(mode="json") | {"clearance_mm": free}),
            )


def mechanism_of(
    scenario: Scenario,
    made: Run,
    value_of: Callable[[Run], float | None],
    threads: int | None = None,
) -> Mechanism:
    """Return by which way a figure is reached.

    Each contributor is taken away in a run of its own, everything else the same. The one without
    which the figure falls most is named if that is a fifth or more; contributors act together, so
    the falls do not add up.

    Parameters
    ----------
    scenario : Scenario
        Of the run.
    made : Run
        The run in which the limit is missed.
    value_of : callable
        Returns the limited figure of a run; None where it does not exist.
    threads : int, optional
        Threads of the compiled kernels.
    """
    worst = value_of(made)
    fell: dict[str, float | None] = {}
    struck = bool(made.figures["sway"]["over_clearance"])
    for words, without in contributors(scenario, struck=struck):
        fell[words] = value_of(make_run(without, threads=threads, pictures=False))
    signs = _signs(made)
    named = [(value, words) for words, value in fell.items() if value is not None]
    if named:
        least, words = min(named)
        if worst is None or (worst > 0 and least <= (1 - LEAST) * worst):
            return Mechanism("; ".join([words, *signs]), fell)
    return Mechanism("; ".join(signs) or "noise and drift, with or without the event", fell)


def _signs(made: Run) -> list[str]:
    found = case_figures(made)
    signs = []
    if found["lost_frames"]:
        signs.append(f"spots are lost in {counted(found['lost_frames'], 'frame')}")
    if found["saturated_pct"]:
        signs.append(f"drives at their limit in {found['saturated_pct']:.2g} % of the samples")
    if made.figures["stops"]["longest_ms"]:
        signs.append("mirrors at their travel stops")
    return signs
