"""What a life leaves behind."""

from typing import NamedTuple

from sim.studies.life.schedule import LifeEvent, What
from sim.studies.life.state import State
from sim.studies.life.totals import Miss, Row


class Lived(NamedTuple):
    """One life."""

    rows: list[Row]
    first_miss: dict[str, Miss | None]
    """When, why and on which input a connection's loss first exceeded each limit; None: never."""
    last: State
    at_episodes: list[tuple[LifeEvent, State]]
    notable: list[tuple[float, str]]
    """What a picture of the life marks, and when. [s]"""
    counts: dict[What, int]
    steps: int
