"""A move in stages: which mirrors turn when, and on which way, so that no beam crosses a wrong one.

What a beam puts into a wrong output depends on two mirrors alone, its own mirror A and that
output's mirror B. While one of them stands and the other turns, it is one figure of that pair;
there are four such figures: either mirror turns while the other has not turned yet, or has. From
these the best of all orders follows (`sim/studies/connections/turns.py`). Where no order is good
enough, mirrors of the pairs that stand in the way may turn one axis at a time.
"""

from collections.abc import Callable
from functools import partial
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.foundations.ports import Array
from sim.studies.connections.moves import Leg, Path, Tilts
from sim.studies.connections.strays import Found, Strays, strongest
from sim.studies.connections.turns import (
    Arrows,
    OrderedPairs,
    Turns,
    asked_of,
    best_turns,
    in_circles,
    order_of_stages,
    turns_at,
)

STRAIGHT, X_FIRST, Y_FIRST = 0, 1, 2
WAYS: Final = (STRAIGHT, X_FIRST, Y_FIRST)
MARGIN_DB: Final = 3.0
"""What the search asks for beyond the limit: true ways are not quite straight. [dB]"""
FIRST_DB: Final = 66.0
"""Pairs with a larger loss are looked at only if an order keeps all the others at that. [dB]"""
MORE_DB: Final = 6.0
SEARCH_DB: Final = 0.2
"""By how much two searches for the same brightest moment may differ. [dB]"""
PASSES: Final = 2
"""Times that the way of each mirror is chosen, those of the others as they are then."""


class MovePlan(NamedTuple):
    """A move in stages, and the light in wrong outputs that it leaves."""

    found: Found
    """The strongest over all stages."""
    instants: int
    stage_a: NDArray[np.int64]
    """(C, 2) stage in which each axis of each mirror A turns, from 0."""
    stage_b: NDArray[np.int64]
    """(V, 2) of each mirror B."""
    best_straight_db: float
    """No order in which all mirrors go straight keeps more, in the outputs looked at (`looked_at`
    of `sim.studies.connections.strays`); `searched_to_db` if some keep that. [dB]"""
    searched_to_db: float
    """Losses from here on were not told apart. [dB]"""

    @property
    def moves_in_a_row(self) -> int:
        """How many times as long as the move of all mirrors at once."""
        return stages_in(self.stage_a, self.stage_b)


class _Figures(NamedTuple):
    """Least loss of pairs (C, V) while one mirror turns and the other stands. [dB]"""

    a_early: Array
    """Mirror A turns, mirror B has not turned yet."""
    a_late: Array
    """Mirror B has turned."""
    b_early: Array
    """Mirror B turns, mirror A has not turned yet."""
    b_late: Array
    """Mirror A has turned."""

    def asked(self, enough_db: float) -> OrderedPairs:
        return asked_of(
            np.minimum(self.a_early, self.b_late), np.minimum(self.b_early, self.a_late), enough_db
        )


def length_of(turns: Turns, way: NDArray[np.int64], way_b: NDArray[np.int64]) -> int:
    """Return how many moves long a plan is, if stages in which an axis waits take two."""
    return sum(2 if slow else 1 for slow in _slow(turns, (way, way_b)))


def ways_at(share: float, way: NDArray[np.int64]) -> Array:
    """Return how far (C, 2) axes x and y of mirrors are, at a share of the stage. [-]"""
    first, then = min(1.0, 2.0 * share), max(0.0, 2.0 * share - 1.0)
    legs = np.array([[share, share], [first, then], [then, first]])
    return np.asarray(legs[way])


def planned(
    path: Path, limit_db: float, progress: Callable[[int, int], None] | None = None
) -> MovePlan:
    """Return the plan that keeps the strongest light in a wrong output least.

    Of plans that keep a margin to the limit, the one with the fewest stages of those found.

    Parameters
    ----------
    path : Path
        The move.
    limit_db : float
        Least loss into a wrong output that is good enough. [dB]
    progress : callable, optional
        Called with (stages worked out, all).
    """
    wanted_db = limit_db + MARGIN_DB
    enough_db = min(wanted_db, FIRST_DB)
    shape = (len(path.inputs), len(path.outputs))
    steps = 4 + 8 + 1

    def tell(done: int) -> None:
        if progress is not None:
            progress(done, steps)

    while True:
        figures = _figures(path, STRAIGHT, enough_db, tell)
        asked = figures.asked(enough_db)
        turns, straight_db = best_turns(asked, shape, enough_db)
        way, way_b = np.zeros(shape[0], np.int64), np.zeros(shape[1], np.int64)
        least_db = straight_db
        if straight_db < enough_db:
            blocked = in_circles(asked, shape, enough_db)
            turns, way, way_b, least_db, asked = _with_ways(path, figures, blocked, enough_db, tell)
        if least_db < enough_db or enough_db >= wanted_db:
            break
        enough_db = min(enough_db + MORE_DB, wanted_db)
    tell(steps - 1)
    plans = [axis_stages(turns, (way, way_b), waits=True)]
    if way.any() or way_b.any():
        closer = _closer(path, asked, (way, way_b), least_db)
        if closer is not None:
            plans.insert(0, axis_stages(closer, (way, way_b), waits=False))
    for stage_a, stage_b in plans:
        found, instants = strongest(path, stages(path, stage_a, stage_b))
        if found.worst_db > least_db - SEARCH_DB:
            break
    tell(steps)
    return MovePlan(found, instants, stage_a, stage_b, straight_db, enough_db)


def stages_in(stage_a: NDArray[np.int64], stage_b: NDArray[np.int64]) -> int:
    """Return the number of stages, of those in which axes turn."""
    return int(max(stage_a.max(), stage_b.max())) + 1


def stages(path: Path, stage_a: NDArray[np.int64], stage_b: NDArray[np.int64]) -> list[Leg]:
    """Return the stages of a plan, in order of time."""

    def leg(stage: int) -> Leg:
        def at(share: float) -> Tilts:
            return path.at(*(np.where(s == stage, share, s < stage) for s in (stage_a, stage_b)))

        return at

    return [leg(stage) for stage in range(stages_in(stage_a, stage_b))]


def axis_stages(
    turns: Turns, ways: tuple[NDArray[np.int64], NDArray[np.int64]], *, waits: bool
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return the stage of each axis of mirrors A (C, 2) and B (V, 2).

    `waits` says whether a stage waits for second axes of mirrors of the stage before.
    """
    slow = _slow(turns, ways)
    starts = np.concatenate([[0], np.cumsum([2 if waits and here else 1 for here in slow])])
    order, found = order_of_stages(turns), []
    for turn, way in zip(turns, ways, strict=True):
        start = starts[np.searchsorted(order, turn)]
        found.append(np.stack([start + (way == Y_FIRST), start + (way == X_FIRST)], axis=1))
    return found[0], found[1]


def _slow(turns: Turns, ways: tuple[NDArray[np.int64], NDArray[np.int64]]) -> list[bool]:
    """Return of each stage whether mirrors turn one axis at a time in it."""
    return [
        any(bool(np.any(way[turn == stage])) for turn, way in zip(turns, ways, strict=True))
        for stage in order_of_stages(turns)
    ]


def _closer(
    path: Path,
    asked: OrderedPairs,
    ways: tuple[NDArray[np.int64], NDArray[np.int64]],
    least_db: float,
) -> Turns | None:
    """Return turns in which no stage waits for second axes; None if there are none.

    Second axes then turn together with mirrors of the other array; pairs that this would make too
    bright are kept apart. Where both mirrors of a pair go one axis at a time, only mirror A has an
    arrow, to mirror B.
    """
    way, way_b = ways
    shape = (len(way), len(way_b))
    few_a, few_b = (np.flatnonzero(w != STRAIGHT) for w in ways)
    together = np.zeros(shape, bool)
    for strays, leg in (
        (Strays(path, beams=few_a), lambda s: path.at(_second_axis(s, way), s)),
        (Strays(path, victims=few_b), lambda s: path.at(s, _second_axis(s, way_b))),
    ):
        together |= strays.of_pairs(leg, least_db) < least_db
    beams, victims = np.nonzero(together)
    slow_a = way[beams] != STRAIGHT
    first, then = np.where(slow_a, (beams, shape[0] + victims), (shape[0] + victims, beams))
    # Those that are to turn before the slow one anyway are no concern of its second axis.
    a_first = np.full(shape, np.inf)
    a_first[asked.beams, asked.victims] = asked.a_first_db
    b_first = np.full(shape, np.inf)
    b_first[asked.beams, asked.victims] = asked.b_first_db
    concerned = np.where(slow_a, a_first[beams, victims], b_first[beams, victims]) >= least_db
    return turns_at(asked, shape, least_db, Arrows(first[concerned], then[concerned]))


def _second_axis(share: float, way: NDArray[np.int64]) -> Array:
    """Return how far (C, 2) axes are while second axes turn; straight ways are over."""
    return np.asarray(np.array([[1.0, 1.0], [1.0, share], [share, 1.0]])[way])


def _with_ways(
    path: Path,
    figures: _Figures,
    blocked: OrderedPairs,
    enough_db: float,
    tell: Callable[[int], None],
) -> tuple[Turns, NDArray[np.int64], NDArray[np.int64], float, OrderedPairs]:
    """Choose ways of the mirrors that stand in the way of an order, and the order with them.

    With the least loss, and what pairs then ask for. Each mirror in turn takes the way with which
    the best order is best, and of equals shortest.
    """
    shape = figures.a_early.shape
    beams, victims = np.unique(blocked.beams), np.unique(blocked.victims)
    by_way = [figures]
    for turn in (X_FIRST, Y_FIRST):
        already = 4 * turn
        by_way.append(
            _figures(path, turn, enough_db, partial(_later, tell, already), beams, victims)
        )
    ways = np.zeros(shape[0], np.int64), np.zeros(shape[1], np.int64)
    mirrors = [(0, beam) for beam in beams] + [(1, victim) for victim in victims]

    def judged() -> tuple[float, int, Turns]:
        mixed = _mixed(by_way, *ways)
        turns, least_db = best_turns(mixed.asked(enough_db), shape, enough_db)
        return least_db, -length_of(turns, *ways), turns

    best = judged()
    for _ in range(PASSES):
        for side, mirror in mirrors:
            kept = ways[side][mirror]
            for turn in WAYS:
                ways[side][mirror] = turn
                found = judged()
                if found[:2] > best[:2]:
                    best, kept = found, turn
            ways[side][mirror] = kept
    return best[2], *ways, best[0], _mixed(by_way, *ways).asked(enough_db)


def _later(tell: Callable[[int], None], already: int, done: int) -> None:
    tell(already + done)


def _mixed(by_way: list[_Figures], way: NDArray[np.int64], way_b: NDArray[np.int64]) -> _Figures:
    """Return the figures with each mirror on its own way, from those of each way."""
    rows, columns = np.arange(len(way)), np.arange(len(way_b))
    a_early, a_late, b_early, b_late = (np.stack(field) for field in zip(*by_way, strict=True))
    return _Figures(
        a_early[way, rows], a_late[way, rows], b_early[way_b, :, columns].T,
        b_late[way_b, :, columns].T,
    )  # fmt: skip


def _figures(
    path: Path, turn: int, enough_db: float, tell: Callable[[int], None],
    beams: NDArray[np.int64] | None = None, victims: NDArray[np.int64] | None = None,
) -> _Figures:  # fmt: skip
    """Return the four figures of each pair, mirrors turning on one kind of way.

    Of mirrors A that turn only `beams`, and of mirrors B only `victims`, where given.
    """
    way, way_b = np.full(len(path.inputs), turn), np.full(len(path.outputs), turn)
    of_a, of_b = Strays(path, beams), Strays(path, victims=victims)
    legs: list[tuple[Strays, Leg]] = [
        (of_a, lambda s: path.at(ways_at(s, way), 0.0)),
        (of_a, lambda s: path.at(ways_at(s, way), 1.0)),
        (of_b, lambda s: path.at(0.0, ways_at(s, way_b))),
        (of_b, lambda s: path.at(1.0, ways_at(s, way_b))),
    ]
    found = []
    for number, (strays, leg) in enumerate(legs):
        found.append(strays.of_pairs(leg, enough_db))
        tell(number + 1)
    return _Figures(*found)
