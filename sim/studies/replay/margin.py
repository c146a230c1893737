"""The level at which a limit is first missed: a ladder of levels, then bisection between them."""

from collections.abc import Callable, Mapping, Sequence
from typing import Final, NamedTuple

LADDER: Final = 2.0
"""Step of the ladder."""
CHECKED: Final = 2
"""Steps of the ladder climbed beyond the level at which everything is missed, to see that it stays
so."""
LOWEST: Final = 2.0**-6
"""Of the smallest level asked for, below which no lower one is tried."""


class Bracketed(NamedTuple):
    """Between which levels a limit is first missed."""

    factor: float | None
    """Geometric middle of the highest level met by all seeds and the lowest missed by any; None if
    it is missed at the lowest level tried, or met at the highest."""
    low: float
    """Highest level up to which every seed met it; 0 if none did."""
    high: float | None
    """Lowest level from which on every seed missed it; None if there is none up to the top."""
    monotone: bool
    """Whether no seed met the limit above a level at which it missed it."""
    tried: tuple[float, ...]
    first_missed: float | None
    """Lowest level at which any seed missed it."""


Misses = Callable[[float], Mapping[str, Sequence[bool]]]
"""Level -> for each limit, whether each seed missed it."""


def find_margins(
    misses: Misses, limits: Sequence[str], levels: Sequence[float], *, top: float, closeness: float
) -> dict[str, Bracketed]:
    """Return the margin of every limit.

    A ladder of doubled levels is climbed from the lowest asked for until every seed misses every
    limit, and two steps more, or the top; if one is missed on the first step the ladder goes down
    instead. Then the step in which a limit turns is halved, on a logarithmic scale, for the first
    seed to miss and for the last. All levels tried are looked at again in the end: a limit that is
    met above a level at which the same seed missed it is not monotone, and that is said.

    Parameters
    ----------
    misses : callable
        Makes the runs of a level; each level is asked for once.
    limits : sequence of str
        Names of the limits.
    levels : sequence of float
        Levels to begin with.
    top : float
        Highest level tried.
    closeness : float
        Ratio of the two levels at which halving ends, above 1.
    """
    known: dict[float, Mapping[str, Sequence[bool]]] = {}

    def at(level: float) -> Mapping[str, Sequence[bool]]:
        if level not in known:
            known[level] = misses(level)
        return known[level]

    for level in sorted({float(level) for level in levels if level <= top}):
        at(level)
    level, beyond = max(known), 0
    while level < top and beyond < CHECKED:
        beyond = beyond + 1 if all(all(at(level)[name]) for name in limits) else 0
        level = min(LADDER * level, top)
        at(level)
    level = lowest = min(known)
    while level > LOWEST * lowest and any(any(at(level)[name]) for name in limits):
        level /= LADDER
        at(level)
    for name in limits:
        for every in (False, True):
            _halve(at, known, name, every, closeness)
    return {name: _bracketed(known, name) for name in limits}


def _halve(
    at: Misses, known: Mapping[float, Mapping[str, Sequence[bool]]], name: str, every: bool,
    closeness: float,
) -> None:  # fmt: skip
    """Halve the step in which the limit turns from met to missed, by any seed or by every one."""
    while True:
        low, high = _step(known, name, every)
        if low is None or high is None or high / low <= closeness:
            return
        at(float((low * high) ** 0.5))


def _step(
    known: Mapping[float, Mapping[str, Sequence[bool]]], name: str, every: bool
) -> tuple[float | None, float | None]:
    """Return the highest level before the turn and the lowest after it.

    For the first seed to miss, the turn is the lowest miss; for the last, the level above which
    every seed misses.
    """
    levels = sorted(known)
    if not every:
        missed = [level for level in levels if any(known[level][name])]
        high = missed[0] if missed else None
        below = [level for level in levels if high is None or level < high]
        return (below[-1] if below else None), high
    some_met = [level for level in levels if not all(known[level][name])]
    low = some_met[-1] if some_met else None
    above = [level for level in levels if low is None or level > low]
    return low, (above[0] if above else None)


def _bracketed(known: Mapping[float, Mapping[str, Sequence[bool]]], name: str) -> Bracketed:
    levels = sorted(known)
    low, first = _step(known, name, every=False)
    _, last = _step(known, name, every=True)
    seeds = range(len(known[levels[0]][name]))
    monotone = all(
        [known[level][name][k] for level in levels]
        == sorted(known[level][name][k] for level in levels)
        for k in seeds
    )
    factor = None if low is None or first is None else float((low * first) ** 0.5)
    return Bracketed(factor, low or 0.0, last, monotone, tuple(levels), first)
