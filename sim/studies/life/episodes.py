"""Episodes of a life, each simulated by the full loop at the age at which it comes."""

from collections.abc import Callable
from typing import Any, Final

from sim.errors import SimError
from sim.studies.life.march import March
from sim.studies.life.schedule import HOUR_S, YEAR_S
from sim.studies.life.start import start_of
from sim.studies.life.study import Life
from sim.studies.run.make import make_run

MOST: Final = 12
"""Episodes that are simulated; of more, the first."""


def play_episodes(
    life: Life, progress: Callable[[int, int], None] | None = None
) -> list[dict[str, Any]]:
    """Return what each episode did: age, largest misalignment loss, outage, lost spots.

    Parameters
    ----------
    life : Life
        One life.
    progress : callable, optional
        Called with (episodes done, all that are simulated).
    """
    march = March(life.plant, life.plant.life.step_h * HOUR_S)
    found = life.lived.at_episodes[:MOST]
    rows = []
    for number, (event, state) in enumerate(found):
        episode = life.plant.life.episodes[event.number]
        start = start_of(life.plant, march, state)
        scenario = start.scenario.replace(
            duration_ms=episode.duration_ms,
            disturbances=[*start.scenario.disturbances, episode.disturbance],
        )
        try:
            made = make_run(scenario, condition=start.condition, pictures=False)
        except SimError as exc:
            raise type(exc)(f"life.episodes.{event.number}: {exc}") from exc
        coupling = made.figures["coupling"]
        rows.append({
            "name": episode.name,
            "year": state.time_s / YEAR_S,
            "excess_max_db": coupling["excess_max_db"],
            "outage_ms": coupling["outage_ms"],
            "max_urad": made.figures["pointing"]["max_urad"],
        })  # fmt: skip
        if progress is not None:
            progress(number + 1, len(found))
    return rows
