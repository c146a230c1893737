"""A move in stages: which mirrors turn when, and on which way, so that no beam crosses a wrong one.

While mirrors B stand, what a beam puts into a wrong output depends on that beam's way alone. So
each beam may choose for itself: its mirror A turns before all mirrors B or after them, straight
or one axis at a time. The best choice of every beam is the best plan of this kind. While mirrors A
stand, what comes into an output depends on the way of that output's mirror B alone, which may turn
one axis at a time too.
"""

from collections.abc import Callable
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.foundations.ports import Array
from sim.studies.connections.coupler import Ports
from sim.studies.connections.moves import Leg, Path
from sim.studies.connections.strays import Found, Strays, strongest

STRAIGHT, X_FIRST, Y_FIRST = 0, 1, 2
MARGIN_DB: Final = 3.0
"""What the search asks for beyond the limit: true ways are not quite straight. [dB]"""
MOST_ROUNDS: Final = 4
"""In which mirrors B get ways of their own: a beam shows one output at a time, its brightest."""
FAR_ENOUGH_DB: Final = 3.0
"""Losses that are larger still by this much need not be known. [dB]"""


class MovePlan(NamedTuple):
    """A move in stages, and the light in wrong outputs that it leaves."""

    found: Found
    """The strongest over all stages."""
    instants: int
    before: NDArray[np.bool_]
    """(C,) whether mirror A turns before all mirrors B, or after them."""
    way: NDArray[np.int64]
    """(C,) `STRAIGHT`, `X_FIRST` or `Y_FIRST`, of mirror A."""

    way_b: NDArray[np.int64]
    """(V,) the same of mirror B."""

    @property
    def moves_in_a_row(self) -> int:
        """How many times as long as the move of all mirrors at once."""
        return (2 if np.any(self.way_b != STRAIGHT) else 1) + sum(
            (2 if np.any(self.way[group] != STRAIGHT) else 1)
            for group in (self.before, ~self.before)
            if group.any()
        )


def ways_at(share: float, way: NDArray[np.int64]) -> Array:
    """Return how far (C, 2) axes x and y of mirrors A are, at a share of the stage. [-]"""
    first, then = min(1.0, 2.0 * share), max(0.0, 2.0 * share - 1.0)
    legs = np.array([[share, share], [first, then], [then, first]])
    return np.asarray(legs[way])


def planned(
    path: Path, limit_db: float, progress: Callable[[int, int], None] | None = None
) -> MovePlan:
    """Return the plan that keeps every beam's strongest light in a wrong output least.

    Beams that come within a margin of the limit on straight ways in either order may turn one axis
    at a time: a stage with such a beam takes twice as long.

    Parameters
    ----------
    path : Path
        The move.
    limit_db : float
        Least loss into a wrong output that is good enough. [dB]
    progress : callable, optional
        Called with (stages worked out, all).
    """
    count = len(path.inputs)
    wanted_db, every = limit_db + MARGIN_DB, np.arange(count)
    enough_db = wanted_db + FAR_ENOUGH_DB
    passing = _passing(path, every, enough_db)
    straight = np.minimum(passing, _crossing(path, every, STRAIGHT, enough_db))
    before = straight[0] >= straight[1]
    way = np.full(count, STRAIGHT)
    least = straight.max(axis=0)
    over = np.flatnonzero(least < wanted_db)
    if progress is not None:
        progress(1, 5)
    for number, turn in enumerate((X_FIRST, Y_FIRST)):
        if over.size:
            detour = np.minimum(passing[:, over], _crossing(path, over, turn, enough_db))
            better = detour.max(axis=0) > least[over]
            chosen = over[better]
            least[chosen] = detour.max(axis=0)[better]
            before[chosen] = (detour[0] >= detour[1])[better]
            way[chosen] = turn
        if progress is not None:
            progress(2 + number, 5)
    way_b = _ways_of_b(path, before, wanted_db)
    if progress is not None:
        progress(4, 5)
    found, instants = strongest(path, stages(path, before, way, way_b))
    if progress is not None:
        progress(5, 5)
    return MovePlan(found, instants, before, way, way_b)


def stages(
    path: Path, before: NDArray[np.bool_], way: NDArray[np.int64], way_b: NDArray[np.int64]
) -> list[Leg]:
    """Return the stages of a plan: some mirrors A, all mirrors B, the other mirrors A."""
    early = before[:, None]
    legs: list[Leg] = [lambda s: path.at(np.where(early, 1.0, np.zeros(2)), ways_at(s, way_b))]
    if before.any():
        legs.insert(0, lambda s: path.at(np.where(early, ways_at(s, way), 0.0), 0.0))
    if not before.all():
        legs.append(lambda s: path.at(np.where(early, 1.0, ways_at(s, way)), 1.0))
    return legs


def _ways_of_b(path: Path, before: NDArray[np.bool_], wanted_db: float) -> NDArray[np.int64]:
    """Return the way (V,) of each mirror B while mirrors A stand where `before` has put them.

    Mirrors into which a beam gets too much on the straight way take the best of the three.
    """
    early = np.where(before[:, None], 1.0, np.zeros(2))
    way = np.full(len(path.outputs), STRAIGHT)
    tried: set[int] = set()
    for _ in range(MOST_ROUNDS):
        least = Strays(path).over(_turning(path, early, way), wanted_db)
        hit = set(map(int, least.victims[least.loss_db < wanted_db])) - tried
        if not hit:
            break
        tried |= hit
        for victim in sorted(hit):
            strays, losses = Strays(path, victims=np.array([victim])), []
            for turn in (STRAIGHT, X_FIRST, Y_FIRST):
                leg = _turning(path, early, np.full(len(way), turn))
                losses.append(strays.over(leg, wanted_db + FAR_ENOUGH_DB).loss_db.min())
            way[victim] = int(np.argmax(losses))
    return way


def _turning(path: Path, early: Array, way: NDArray[np.int64]) -> Leg:
    """Return the stage of mirrors B, each on its way, mirrors A standing at shares (C, 2)."""
    return lambda s: path.at(early, ways_at(s, way))


def _passing(path: Path, beams: Ports, enough_db: float) -> Array:
    """Return the least loss (2, B) of beams while mirrors B turn: A turned already, or not yet."""
    strays = Strays(path, beams)
    return np.array([
        strays.over(lambda s: path.at(1.0, s), enough_db).loss_db[beams],
        strays.over(lambda s: path.at(0.0, s), enough_db).loss_db[beams],
    ])  # fmt: skip


def _crossing(path: Path, beams: Ports, turn: int, enough_db: float) -> Array:
    """Return the least loss (2, B) of beams while their mirrors A turn: before B, and after."""
    strays, way = Strays(path, beams), np.full(len(path.inputs), turn)
    return np.array([
        strays.over(lambda s: path.at(ways_at(s, way), 0.0), enough_db).loss_db[beams],
        strays.over(lambda s: path.at(ways_at(s, way), 1.0), enough_db).loss_db[beams],
    ])  # fmt: skip
