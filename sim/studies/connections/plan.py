"""A move in stages: which mirrors turn when, and on which way, so that no beam crosses a wrong one.

While mirrors B stand, what a beam puts into a wrong output depends on that beam's way alone. So
each beam may choose for itself: its mirror A turns before all mirrors B or after them, straight
or one axis at a time. The best choice of every beam is the best plan of this kind; it is found on
a grid of instants and judged on a finer one.
"""

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.ports import Array
from sim.studies.connections.coupler import Ports
from sim.studies.connections.moves import Found, Path, strongest

STEPS: Final = tuple(float(s) for s in np.round(np.arange(0.05, 0.96, 0.05), 2))
"""Shares of the way at which the search looks."""
FINE: Final = tuple(float(s) for s in np.round(np.arange(0.0, 1.001, 0.025), 3))
"""Shares at which the plan that was found is judged."""
STRAIGHT, X_FIRST, Y_FIRST = 0, 1, 2


class Plan(NamedTuple):
    """A move in stages, and the light in wrong outputs that it leaves."""

    found: Found
    """The strongest, at the instants of `FINE`."""
    instants: int
    before: NDArray[np.bool_]
    """(C,) whether mirror A turns before all mirrors B, or after them."""
    way: NDArray[np.int64]
    """(C,) `STRAIGHT`, `X_FIRST` or `Y_FIRST`, of mirror A."""

    @property
    def moves_in_a_row(self) -> int:
        """How many times as long as the move of all mirrors at once."""
        stages = 1
        for group in (self.before, ~self.before):
            if group.any():
                stages += 2 if np.any(self.way[group] != STRAIGHT) else 1
        return stages


def ways_at(share: float, way: NDArray[np.int64]) -> Array:
    """Return how far (C, 2) axes x and y of mirrors A are, at a share of the stage. [-]"""
    first, then = min(1.0, 2.0 * share), max(0.0, 2.0 * share - 1.0)
    legs = np.array([[share, share], [first, then], [then, first]])
    return np.asarray(legs[way])


def planned(path: Path, limit_db: float) -> Plan:
    """Return the plan that keeps every beam's strongest light in a wrong output least.

    Beams that are over the limit on straight ways in either order may turn one axis at a time: a
    stage with such a beam takes twice as long.

    Parameters
    ----------
    path : Path
        The move.
    limit_db : float
        Least loss into a wrong output that is good enough. [dB]
    """
    count = len(path.inputs)
    every = np.arange(count)
    straight = _least(path, every, STRAIGHT, STEPS)
    before = straight[0] >= straight[1]
    way = np.full(count, STRAIGHT)
    least = straight.max(axis=0)
    over = np.flatnonzero(least < limit_db)
    if over.size:
        for turn in (X_FIRST, Y_FIRST):
            detour = _least(path, over, turn, FINE)
            better = detour.max(axis=0) > least[over]
            chosen = over[better]
            least[chosen] = detour.max(axis=0)[better]
            before[chosen] = (detour[0] >= detour[1])[better]
            way[chosen] = turn
    tilts = staged_tilts(path, before, way, FINE)
    found = min((path.worst(one) for one in tilts), key=lambda w: w.worst_db)
    return Plan(found, len(tilts), before, way)


def _least(path: Path, beams: Ports, turn: int, shares: tuple[float, ...]) -> Array:
    """Return the least loss (2, B) of beams into any wrong output, A before B, and after. [dB]"""
    way = np.full(len(path.inputs), turn)
    rows = []
    for turned, stands in ((1.0, 0.0), (0.0, 1.0)):
        # Mirrors B turn while this beam's mirror A has turned, or has not yet.
        passing = [path.at(turned, s) for s in shares]
        crossing = [path.staged(ways_at(s, way), stands) for s in (*shares, 1.0)]
        rows.append(
            np.min([strongest(path, one, beams) for one in (*passing, *crossing)], axis=0)
        )
    return np.array(rows)


def staged_tilts(
    path: Path, before: NDArray[np.bool_], way: NDArray[np.int64], shares: tuple[float, ...]
) -> list[Array]:
    """Return the tilts (C, 4) at shares of each stage: some mirrors A, all B, the other A. [rad]"""
    early = before[:, None]
    first = [path.staged(np.where(early, ways_at(s, way), 0.0), 0.0) for s in shares]
    middle = [path.staged(np.where(early, 1.0, np.zeros((1, 2))), s) for s in shares]
    last = [path.staged(np.where(early, 1.0, ways_at(s, way)), 1.0) for s in shares]
    return [*(first if before.any() else []), *middle, *([] if before.all() else last)]
