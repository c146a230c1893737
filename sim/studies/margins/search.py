"""The search for gains: a scan of the whole range, then steps along single settings, halved."""

from collections.abc import Callable, Mapping, Sequence
from itertools import product
from typing import Any, Final

import numpy as np

from sim.foundations.ports import Knob
from sim.studies.margins.candidate import Candidate
from sim.studies.margins.demands import Demands
from sim.studies.margins.judge import GainJudge

FINEST: Final = 2.0**-8
"""Smallest step of the search, as a share of each knob's range."""
SCANNED: Final = {1: 33, 2: 11, 3: 6}
"""Points of each knob in the scan, by the number of knobs."""
AXES: Final = ("x", "y")
Shares = tuple[float, ...]


class Search:
    """Points looked at, and how to find better ones."""

    def __init__(
        self, judge: GainJudge, knobs: Sequence[Knob], base: Mapping[str, Any],
        shaping: Mapping[str, Any], tell: Callable[[], None], slack: float,
    ) -> None:  # fmt: skip
        self.judge, self.knobs, self.base, self.shaping = judge, tuple(knobs), base, shaping
        self.slack = slack
        self._tell = tell
        self.found: dict[Shares, Candidate] = {}

    def settings(self, shares: Shares) -> dict[str, Any]:
        """Return the controller's table at a point; a knob named "gain.x" is that of one axis."""
        values = {k.name: k.value(x) for k, x in zip(self.knobs, shares, strict=True)}
        return with_values(self.base, values)

    def at(self, shares: Shares) -> Candidate:
        """Return the candidate at a point."""
        if shares not in self.found:
            self.found[shares] = self.judge.candidate(self.settings(shares), shaping=self.shaping)
            self._tell()
        return self.found[shares]

    def scan(self, points: int | None = None) -> None:
        """Look at the whole range."""
        n = points or SCANNED.get(len(self.knobs), 4)
        for shares in product(np.linspace(0, 1, n).tolist(), repeat=len(self.knobs)):
            self.at(tuple(shares))

    @property
    def first_step(self) -> float:
        """Half the distance of the scan's points."""
        return 0.5 / (SCANNED.get(len(self.knobs), 4) - 1)

    def best(self, demands: Demands) -> Shares | None:
        """Return the point of the least cost, of those looked at, that keeps the demands."""
        kept = [s for s, c in self.found.items() if demands.met_by(c, self.slack)]
        return min(kept, key=lambda s: demands.cost_db(self.found[s])) if kept else None

    def refine(self, shares: Shares, demands: Demands, step: float | None = None) -> Shares:
        """Return a point from which no step of `FINEST` leads to a lower cost."""
        step = step or self.first_step
        while True:
            cost = demands.cost_db(self.at(shares))
            better = [
                s for s in self._beside(shares, step)
                if demands.met_by(self.at(s), self.slack) and demands.cost_db(self.at(s)) < cost
            ]  # fmt: skip
            if better:
                shares = min(better, key=lambda s: demands.cost_db(self.found[s]))
            elif step > FINEST:
                step = max(0.5 * step, FINEST)
            else:
                return shares

    def nearest(self, demands: Demands, finest: float = FINEST) -> Shares:
        """Return the point that misses demands by the least, closing in on it."""

        def excess(shares: Shares) -> float:
            return sum(demands.missed(self.at(shares), self.slack).values())

        shares, step = min(self.found, key=excess), self.first_step
        while step >= finest and excess(shares) > 0:
            beside = min(self._beside(shares, step), key=excess, default=shares)
            if excess(beside) < excess(shares):
                shares = beside
            else:
                step *= 0.5
        return shares

    def _beside(self, shares: Shares, step: float) -> list[Shares]:
        """Points one step away along single knobs, inside their ranges."""
        moved = [
            (*shares[:i], min(max(shares[i] + d, 0.0), 1.0), *shares[i + 1 :])
            for i in range(len(shares))
            for d in (-step, step)
        ]
        return [s for s in dict.fromkeys(moved) if s != shares]


def with_values(base: Mapping[str, Any], values: Mapping[str, float]) -> dict[str, Any]:
    """Return a controller's table with settings replaced; "gain.x" is the first of a pair."""
    settings = dict(base)
    for name, value in values.items():
        key, dot, axis = name.rpartition(".")
        if not dot:
            settings[name] = value
            continue
        present = settings[key]
        pair = list(present) if isinstance(present, list | tuple) else [present, present]
        pair[AXES.index(axis)] = value
        settings[key] = pair
    return settings


def by_axis(knobs: Sequence[Knob]) -> tuple[Knob, ...]:
    """Return a knob for each axis in place of each."""
    return tuple(k._replace(name=f"{k.name}.{axis}") for k in knobs for axis in AXES)
