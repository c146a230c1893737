"""In which order mirrors turn, from what each pair of mirrors asks for.

Light of one beam in a wrong output depends on two mirrors alone: the beam's mirror A and that
output's mirror B. If mirrors turn one after another, all that counts of an order is therefore which
of the two is first, pair by pair. A pair that is too bright one way asks for the other way; an
order that grants all that is asked exists if, and only if, what is asked forms no circle. So the
best of all orders is found, however mirrors A and B take turns.
"""

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.foundations.ports import Array


class Turns(NamedTuple):
    """In which stage each mirror turns; all mirrors of a stage are of one array."""

    a: NDArray[np.int64]
    """(C,) stage of each mirror A, from 0."""
    b: NDArray[np.int64]
    """(V,) of each mirror B."""


class OrderedPairs(NamedTuple):
    """Pairs of mirrors A and B of which one had better turn first."""

    beams: NDArray[np.int64]
    """(P,) place of the beam."""
    victims: NDArray[np.int64]
    """(P,) place of the output."""
    a_first_db: Array
    """(P,) least loss into the output if mirror A turns before mirror B. [dB]"""
    b_first_db: Array
    """(P,) if mirror B turns first. [dB]"""


class Arrows(NamedTuple):
    """Which mirrors turn before which; mirrors B count from the number of mirrors A."""

    before: NDArray[np.int64]
    after: NDArray[np.int64]


NO_ARROWS: Final = Arrows(np.empty(0, np.int64), np.empty(0, np.int64))
APART: Final = 3
"""Stages between mirrors of long arrows: of arrays A and B, so odd."""


def asked_of(a_first_db: Array, b_first_db: Array, enough_db: float) -> OrderedPairs:
    """Return what pairs (C, V) ask for, of those with a loss below `enough_db` in an order."""
    beams, victims = np.nonzero(np.minimum(a_first_db, b_first_db) < enough_db)
    return OrderedPairs(beams, victims, a_first_db[beams, victims], b_first_db[beams, victims])


def turns_at(
    asked: OrderedPairs, shape: tuple[int, int], loss_db: float, long: Arrows = NO_ARROWS
) -> Turns | None:
    """Return the fewest stages that keep every pair at `loss_db` or above; None if there are none.

    Each mirror turns as early as it may; of two that take as many stages, mirrors A come first.
    Between mirrors of `long` arrows, two more stages have to pass.
    """
    found = [_levels(asked, shape, loss_db, first, long) for first in (0, 1)]
    able = [turns for turns in found if turns is not None]
    return min(able, key=lambda turns: len(order_of_stages(turns))) if able else None


def best_turns(
    asked: OrderedPairs, shape: tuple[int, int], enough_db: float
) -> tuple[Turns, float]:
    """Return the order with the largest least loss, and that loss: `enough_db` at most. [dB]

    Parameters
    ----------
    asked : OrderedPairs
        From `asked_of`, with the same `enough_db`.
    shape : (int, int)
        Mirrors A and B.
    enough_db : float
        A loss that need not be surpassed: then the fewest stages that keep it are returned. [dB]
    """
    steps = np.unique(np.concatenate([asked.a_first_db, asked.b_first_db, [enough_db]]))
    steps = steps[steps <= enough_db]
    low, high = 0, len(steps) - 1  # at the least loss of all, nothing is asked for
    while low < high:
        middle = (low + high + 1) // 2
        if _levels(asked, shape, float(steps[middle]), 0) is None:
            high = middle - 1
        else:
            low = middle
    turns = turns_at(asked, shape, float(steps[low]))
    assert turns is not None
    return turns, float(steps[low])


def order_of_stages(turns: Turns) -> list[int]:
    """Return the numbers of the stages in which mirrors turn, in order of time."""
    return [int(stage) for stage in np.unique(np.concatenate(turns))]


def in_circles(asked: OrderedPairs, shape: tuple[int, int], loss_db: float) -> OrderedPairs:
    """Return the pairs whose demands at `loss_db` stand in a circle, so that no order grants all.

    A pair that is too bright either way is a circle by itself.
    """
    from scipy.sparse import csr_array
    from scipy.sparse.csgraph import connected_components

    count = sum(shape)
    before, after = _arrows(asked, shape[0], loss_db)
    graph = csr_array((np.ones(len(before)), (before, after)), shape=(count, count))
    _, label = connected_components(graph, connection="strong")
    low = np.minimum(asked.a_first_db, asked.b_first_db) < loss_db
    inside = low & (label[asked.beams] == label[shape[0] + asked.victims])
    return OrderedPairs(*(field[inside] for field in asked))


def _arrows(asked: OrderedPairs, inputs: int, loss_db: float) -> Arrows:
    """Return which mirror must turn before which."""
    a_first, b_first = asked.b_first_db < loss_db, asked.a_first_db < loss_db
    mirrors_b = inputs + asked.victims
    return Arrows(
        np.concatenate([asked.beams[a_first], mirrors_b[b_first]]),
        np.concatenate([mirrors_b[a_first], asked.beams[b_first]]),
    )


def _levels(
    asked: OrderedPairs, shape: tuple[int, int], loss_db: float, first: int,
    long: Arrows = NO_ARROWS,
) -> Turns | None:
    """Return stages, arrays A (`first` = 0) or B (1) beginning; None if demands form a circle."""
    before, after = _arrows(asked, shape[0], loss_db)
    apart = np.repeat([1, APART], [len(before), len(long.before)])
    before, after = np.concatenate([before, long.before]), np.concatenate([after, long.after])
    level = np.repeat([first, 1 - first], shape)
    for _ in range(2 * min(shape) + 2):  # no chain of mirrors A and B in turn is longer
        was = level.copy()
        np.maximum.at(level, after, was[before] + apart)
        if np.array_equal(level, was):
            return Turns(level[: shape[0]], level[shape[0] :])
    return None
