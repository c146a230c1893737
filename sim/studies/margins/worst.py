"""The worst switch that an [uncertainty] allows: its corners, points inside, and from there on.

Every mirror is looked at in every corner and at points drawn from the ranges; from the worst of
them a differential evolution goes on, because nothing says that the worst lies in a corner: a
resonance may pass a notch or a zero of the shaper, or fold at half the frame rate.

References
----------
.. [1] R. Storn and K. Price, "Differential evolution", J. Global Optimization 11 (1997) 341:
   `scipy.optimize.differential_evolution`.
.. [2] R. Tempo, E. W. Bai and F. Dabbene, "Probabilistic robustness analysis: explicit bounds for
   the minimum number of samples", Systems & Control Letters 30 (1997) 237: n draws that all keep a
   demand show, with confidence 1 - d, that less than a share e of the ranges misses it, if
   (1 - e)^n <= d. From memory.
"""

from collections.abc import Callable
from typing import Final, NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import differential_evolution

from controllers.analysis.linear_loop import Loop
from controllers.analysis.linearise import LinearController
from sim.assembly.build import Built
from sim.foundations.files.text import counted
from sim.foundations.ports import Array
from sim.studies.margins.demands import Demands
from sim.studies.margins.figures import LoopFigures, controller_matrices, figures_of
from sim.studies.margins.move import moved_of
from sim.studies.margins.plant import plant_of
from sim.studies.margins.uncertain import DELAY, Box, altered, point_words

DRAWN: Final = 59
"""Points drawn in each population: that many show 95 % of the ranges with a confidence of 95 %."""
MIRRORS: Final = 2
"""Of each population, from whose worst points the search goes on, for each demand."""
MEMBERS: Final = 12
"""Points in a generation of that search."""
GENERATIONS: Final = 12
LATE_GENERATIONS: Final = 5
"""The same for settling, which takes longer to work out."""
SLOW: Final = 12
"""Mirrors of each population whose settling is looked at: the slowest ones as described."""
ROWS: Final = 384
"""Mirrors that are worked out at a time."""
UNSTABLE: Final = 1e3
"""Stands for how far an unstable loop misses a demand."""
MARGINS: Final = ("ms", "gain_margin_db", "phase_margin_deg")
Progress = Callable[[str, int, int], None]


class Settling(Protocol):
    """Predicted settling under the controller that is looked at."""

    def each(self, built: Built) -> Array:
        """Return the median settling (M,) of every mirror of a switch. [ms]"""
        ...

    def slowest(self, built: Built, place: NDArray[np.intp], points: Array) -> Array:
        """Return settling (P,) of the slowest of some mirrors, changed as points say. [ms]"""
        ...


class Worst(NamedTuple):
    """Where a demand is kept by the least, or missed by the most."""

    demand: str
    excess: float
    """By what share of the demand it is missed; negative where it is kept. [-]"""
    population: int
    place: NDArray[np.intp]
    """Which mirror, by its place in the fleet; of settling those that were looked at."""
    point: Array
    """(4,)"""

    def label(self, box: Box) -> str:
        """Return which switch it is, in words."""
        both = (box.label(self.population), point_words(self.point))
        return ", ".join(filter(None, both)) or "as described"


class Looked(NamedTuple):
    """What was looked at, and the worst of it."""

    worst: tuple[Worst, ...]
    """One for each demand."""
    populations: int
    corners: int
    """In each population."""
    drawn: int
    """In each population, anew for every look."""
    searched: int
    """More points, in the searches from there."""
    slow: int
    """Most mirrors of a population whose settling was looked at; 0 if none was."""

    @property
    def words(self) -> str:
        """Say what was looked at, and how sure that is."""
        text = (
            f"every mirror at {counted(self.corners, 'corner')} of [uncertainty] and "
            f"{counted(self.drawn, 'point')} inside"
            + (f", in {self.populations} populations" if self.populations > 1 else "")
            + f", and {self.searched} more in a search from the worst of them"
        )
        if self.slow:
            text += f"; settling only of the slowest as described, {counted(self.slow, 'mirror')}"
        return text


SURE: Final = (
    f"Where all {DRAWN} points that were drawn keep the demands, less than 5 % of the ranges miss "
    "them in that population, with a confidence of 95 %; the corners, and a search from the worst "
    "points (differential evolution), come on top and prove no global worst case."
)


def look(
    box: Box, linear: LinearController, demands: Demands, turn: int = 0,
    settling: Settling | None = None, progress: Progress | None = None,
) -> Looked:  # fmt: skip
    """Look for the worst switches under a controller.

    Parameters
    ----------
    box : Box
        From `box_of`.
    linear : LinearController
        The controller's matrices.
    demands : Demands
        What must be kept.
    turn : int
        Names the points that are drawn: others at every turn.
    settling : callable, optional
        Predicted settling of mirrors; needed if the demands ask for it.
    progress : callable, optional
        Called with what is done, how many are, and of how many.
    """
    tell = progress or (lambda what, done, total: None)
    points = np.concatenate([box.corners(), box.drawn(DRAWN, turn)])
    corners = len(points) - DRAWN
    asked = [name for name in demands.asked if name in MARGINS]
    worst: dict[str, Worst] = {}
    searched, slow = 0, 0
    total = len(box.switches)

    def offer(found: Worst) -> None:
        if found.demand not in worst or found.excess > worst[found.demand].excess:
            worst[found.demand] = found

    for k, built in enumerate(box.switches):
        everyone = np.arange(len(built.parts.mirrors))

        def margins(place: NDArray[np.intp], at: Array, switch: Built = built) -> dict[str, Array]:
            return excess_of(demands, figures_at(switch, linear, place, at), len(at))

        found = margins(everyone, points)
        for name in asked:
            excess = found[name]
            p, m = np.unravel_index(int(excess.argmax()), excess.shape)
            offer(Worst(name, float(excess[p, m]), k, everyone[m : m + 1], points[p]))
            if excess[p, m] >= UNSTABLE:
                continue
            for column in np.argsort(-excess.max(axis=0), kind="stable")[:MIRRORS]:
                mine = everyone[column : column + 1]
                order = np.argsort(-excess[:, column], kind="stable")

                def alone(
                    at: Array, name: str = name, mine: NDArray[np.intp] = mine
                ) -> Array:
                    return margins(mine, at)[name][:, 0]

                best, point, count = _evolved(alone, box, points[order], GENERATIONS)
                searched += count
                offer(Worst(name, best, k, mine, point))
        tell("switches looked at for margins", len(points) * (k + 1), len(points) * total)
        if demands.settling_ms is None or settling is None:
            continue
        limit_ms, moved = max(demands.settling_ms, 1e-9), np.flatnonzero(moved_of(built))
        chosen = moved[np.argsort(-settling.each(built)[moved], kind="stable")[:SLOW]]
        slow = max(slow, len(chosen))

        def late(
            at: Array, switch: Built = built, chosen: NDArray[np.intp] = chosen,
            limit_ms: float = limit_ms,
        ) -> Array:  # fmt: skip
            found_ms = settling.slowest(switch, chosen, at)
            return np.minimum(found_ms / limit_ms - 1.0, UNSTABLE)

        excess = late(points)
        order = np.argsort(-excess, kind="stable")
        offer(Worst("settling_ms", float(excess[order[0]]), k, chosen, points[order[0]]))
        best, point, count = _evolved(late, box, points[order], LATE_GENERATIONS)
        searched += count
        offer(Worst("settling_ms", best, k, chosen, point))
        tell("switches looked at for settling", len(points) * (k + 1), len(points) * total)
    found_worst = tuple(worst[name] for name in demands.asked if name in worst)
    return Looked(found_worst, total, corners, DRAWN, searched, slow)


def figures_at(
    built: Built, linear: LinearController, place: NDArray[np.intp], points: Array
) -> LoopFigures:
    """Return stability and margins (P m,) of mirrors at some places, changed as points say."""
    rows = altered(built, place, points)
    parts = []
    for first in range(0, len(rows.place), ROWS):
        some = rows.part(slice(first, first + ROWS))
        loop = Loop(controller_matrices(linear, some.place), plant_of(built, some, within=False))
        parts.append(figures_of(loop))
    return LoopFigures(
        parts[0].loop, *(np.concatenate([p[i] for p in parts]) for i in range(1, 5))
    )


def excess_of(demands: Demands, f: LoopFigures, count: int) -> dict[str, Array]:
    """Return by what share each margin is missed (count, m); negative where it is kept."""
    shares = {
        "ms": f.ms / demands.ms - 1.0,
        "gain_margin_db": 1.0 - f.gain_db / max(demands.gain_margin_db, 1e-9),
        "phase_margin_deg": 1.0 - f.phase_deg / max(demands.phase_margin_deg, 1e-9),
    }
    return {
        name: np.where(f.stable, np.maximum(share, -UNSTABLE), UNSTABLE).reshape(count, -1)
        for name, share in shares.items()
    }


def _evolved(
    excess: Callable[[Array], Array], box: Box, start: Array, generations: int
) -> tuple[float, Array, int]:
    """Return the largest excess within the ranges, where it is, and how many points were tried."""
    if not box.free.size:
        return -np.inf, start[0], 0
    free, size = box.free, box.size[box.free]
    ticks = np.where(free == DELAY, box.tick_us, 1.0)  # delays are searched in whole ticks
    members = np.resize(start[:MEMBERS, free], (MEMBERS, len(free))) / ticks
    best, tried = (-np.inf, start[0]), 0

    def less(x: Array) -> Array:
        nonlocal best, tried
        at = np.zeros((x.shape[1] if x.ndim > 1 else 1, 4))
        at[:, free] = (x.T if x.ndim > 1 else x[None]) * ticks
        found = excess(box.on_ticks(at))
        i, tried = int(found.argmax()), tried + len(at)
        if found[i] > best[0]:
            best = (float(found[i]), at[i])
        return -found

    differential_evolution(
        less, list(zip(-size / ticks, size / ticks, strict=True)), init=members, tol=0.0,
        maxiter=generations, polish=False, updating="deferred", vectorized=True,
        integrality=free == DELAY,
        rng=np.random.Generator(np.random.Philox(key=box.seed)),
    )  # fmt: skip
    return best[0], box.on_ticks(best[1]), tried
