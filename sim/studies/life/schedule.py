"""What happens in a life, and when: service by the calendar, failures and moves at random."""

import math
from enum import Enum
from typing import NamedTuple

import numpy as np

from sim.disturbances.wear import YEAR_H
from sim.foundations.rng import Stream, uniforms
from sim.life.params import LifeParams

HOUR_S = 3600.0
DAY_S = 24.0 * HOUR_S
YEAR_S = HOUR_S * YEAR_H
MOST_EVENTS = 2_000_000


class What(Enum):
    """What an event does."""

    ROW = "a row of the table ends"
    MOVE = "two inputs exchange their outputs"
    REMATE = "a connector is mated anew"
    INSPECT = "the switch is inspected"
    REPEAK = "all beams are aimed anew by received power"
    RECALIBRATE = "the drive's gain is measured anew"
    BOARD_DOWN = "a driver board fails"
    BOARD_UP = "a new board works"
    LAMP_DOWN = "the monitor light fails"
    LAMP_UP = "a new lamp works"
    EPISODE = "an episode"
    CHANGE = "something begins to change at once"


class LifeEvent(NamedTuple):
    """One event of a life."""

    time_s: float
    what: What
    number: int = 0
    """Of the board, or of the kind of episode; for moves and matings a draw of its own."""


def schedule(
    life: LifeParams, seed: int, ports: int, boards: int, until_s: float, rows: int
) -> list[LifeEvent]:
    """Return everything that happens until a time, in order.

    Random events are Poisson processes, drawn from the seed by kind and number, so that a longer
    life begins like a shorter one.

    Parameters
    ----------
    life : LifeParams
        The rates.
    seed : int
        Of the noise.
    ports, boards : int
        Connected inputs, and driver boards.
    until_s : float
        Length of the life. [s]
    rows : int
        Rows of the table of years.
    """
    s, found = life.service, []
    for row in range(rows):
        found.append(LifeEvent(until_s * (row + 1) / rows, What.ROW, row))
    for days, what in (
        (s.inspect_days, What.INSPECT), (s.repeak_days, What.REPEAK),
        (s.recalibrate_days, What.RECALIBRATE),
    ):  # fmt: skip
        if days > 0:
            found += [
                LifeEvent(k * days * DAY_S, what)
                for k in range(1, math.ceil(until_s / (days * DAY_S)))
            ]

    def at_random(kind: int, per_year: float) -> list[float]:
        return _poisson(seed, kind, per_year, until_s)

    for n, at in enumerate(at_random(0, 0.5 * ports * s.moves_per_port_year)):
        found.append(LifeEvent(at, What.MOVE, n))
    for n, at in enumerate(at_random(1, 2 * ports * s.remates_per_port_year)):
        found.append(LifeEvent(at, What.REMATE, n))
    for at in at_random(2, life.monitor.failures_per_year):
        found.append(LifeEvent(at, What.LAMP_DOWN))
        found.append(LifeEvent(at + HOUR_S * life.monitor.repair_h, What.LAMP_UP))
    for board in range(boards):
        for at in at_random(100 + board, s.board_failures_per_year):
            found.append(LifeEvent(at, What.BOARD_DOWN, board))
            found.append(LifeEvent(at + HOUR_S * s.board_repair_h, What.BOARD_UP, board))
    for kind, episode in enumerate(life.episodes):
        times = at_random(10 + kind, episode.per_year)
        found += [LifeEvent(at, What.EPISODE, kind) for at in times]
    found = [h for h in found if h.time_s <= until_s]
    return sorted(found, key=lambda h: (h.time_s, h.what is not What.ROW))


def _poisson(seed: int, kind: int, per_year: float, until_s: float) -> list[float]:
    """Return the times of a Poisson process. [s]"""
    if per_year == 0:
        return []
    mean = per_year * until_s / YEAR_S
    count = min(math.ceil(mean + 10.0 * math.sqrt(mean) + 20.0), MOST_EVENTS)
    draws = uniforms((seed, Stream.YEARS), np.arange(count), kind)[:, 0]
    at_s = np.cumsum(-np.log(draws)) * YEAR_S / per_year
    return [float(at) for at in at_s[at_s < until_s]]
