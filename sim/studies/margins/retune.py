"""Single mirrors that cost the most, and what gains of their own would give."""

from typing import Any, Final, NamedTuple

import numpy as np
from scipy.optimize import minimize_scalar

from sim.results.metrics import mirror_name
from sim.studies.margins.candidate import Candidate
from sim.studies.margins.codes import Codes
from sim.studies.margins.demands import Demands
from sim.studies.margins.judge import GainJudge, JudgedMirrors
from sim.studies.margins.plant import present_mirrors
from sim.studies.margins.predict import variance_at
from sim.studies.margins.search import FINEST, Search, Shares
from sim.studies.margins.settling import LEVELS, followed, left_of, levels_of

LISTED: Final = 8
SWEEPS: Final = 3
"""Most times that each setting is searched in turn."""
MISSED_DB: Final = 1e3
"""What missing a demand by its own size counts as, while searching. [dB]"""


class Alone(NamedTuple):
    """One mirror under the chosen gains, and under the best gains for it alone."""

    mirror: str
    loss_db: float
    """What it adds to its connection's mean excess loss. [dB]"""
    settling_ms: float
    ms: float
    settings: dict[str, Any]
    """Best gains for this mirror alone; the demands on it are kept."""
    loss_alone_db: float
    settling_alone_ms: float
    ms_alone: float


class _OneMirror:
    """What gains are worth on one mirror of the described switch."""

    def __init__(self, judge: GainJudge, search: Search, place: int, demands: Demands) -> None:
        self._judge, self._search, self._place, self._demands = judge, search, place, demands
        mirror = present_mirrors(judge.built, np.array([place]))
        self._world = JudgedMirrors(judge.built, "", mirror)
        self.tried: dict[Shares, tuple[float, float, float, float]] = {}
        """Points to what is made least, loss, settling and Ms. [dB, dB, ms, -]"""

    def cost(self, shares: Shares, codes: Codes) -> float:
        """Return loss and weighted settling, with what missing a demand counts as. [dB]"""
        if shares not in self.tried:
            self.tried[shares] = self._worth(shares, codes)
        return self.tried[shares][0]

    def _worth(self, shares: Shares, codes: Codes) -> tuple[float, float, float, float]:
        judge, d, world = self._judge, self._demands, self._world
        settings = self._search.settings(shares)
        f = judge.figures(world, settings)
        if not f.stable.all():
            return 2 * MISSED_DB, np.inf, np.inf, np.inf
        variance = variance_at(f.loop, judge.spectra, world.mirrors.place, codes)
        move = world.move(self._search.shaping)
        after = followed(move, f.loop)
        levels_s = levels_of(judge.built, after, variance, world.mirrors)
        square = variance + left_of(judge.built, move, f.loop, after).square_rad2
        loss_db = float((square * judge.weight_db[[self._place]]).sum())
        settling_ms = 1e3 * float(levels_s[LEVELS.index(0.5), 0])
        one = (float(f.ms[0]), float(f.gain_db[0]), float(f.phase_deg[0]), settling_ms)
        missed = min(sum(d.missed_by(*one).values()), 1.0)
        cost = loss_db + (d.settling_weight * min(settling_ms, 1e6) if d.settling_weight else 0.0)
        return cost + MISSED_DB * missed, loss_db, settling_ms, one[0]


def alone_of(
    judge: GainJudge, chosen: Candidate, search: Search, demands: Demands
) -> tuple[Alone, ...]:
    """Return the mirrors that cost the most under the chosen gains, each with its own best gains.

    A mirror costs what it adds to the loss of its connection, and its settling times the weight.
    From the best of all gains that were tried, each setting in turn is searched by itself (Brent,
    bounded) within a step of the scan, to `FINEST` of its range, until a sweep gains nothing.
    """
    tried = {shares: c for shares, c in search.found.items() if c.stable}
    if not tried:
        return ()
    points = list(tried)
    costs = np.stack([_cost(c, demands) for c in tried.values()])
    mirrors, ports = judge.built.parts.mirrors, judge.built.resolved.switch.geometry.ports_per_side
    found = []
    for m in np.argsort(-_cost(chosen, demands), kind="stable")[:LISTED]:
        kept = np.array([_keeps(c, int(m), demands) for c in tried.values()])
        here = np.where(kept, costs[:, m], np.inf)
        start = points[int(here.argmin())]
        best = _best(judge, search, int(m), start, demands) if kept.any() else None
        a = chosen.each
        mine = (chosen.settings, float(a.loss_db[m]), float(a.settling_ms[m]), float(a.ms[m]))
        settings, loss_db, settling_ms, ms = mine if best is None else best
        found.append(
            Alone(mirror_name(int(mirrors[m]), ports), *mine[1:], settings, loss_db, settling_ms,
                  ms)
        )  # fmt: skip
    return tuple(found)


def _best(
    judge: GainJudge, search: Search, m: int, start: Shares, demands: Demands
) -> tuple[dict[str, Any], float, float, float]:
    """Return the best settings of one mirror, with loss, settling and Ms."""
    one = _OneMirror(judge, search, m, demands)
    codes = judge.prediction(search.settings(start)).codes
    best, step = start, 2.0 * search.first_step
    value = one.cost(best, codes)
    for _ in range(SWEEPS):
        before = value
        for i in range(len(best)):

            def along(x: float, i: int = i, at: Shares = best) -> float:
                return one.cost((*at[:i], float(x), *at[i + 1 :]), codes)

            ends = (max(best[i] - step, 0.0), min(best[i] + step, 1.0))
            minimize_scalar(along, bounds=ends, method="bounded", options={"xatol": FINEST})
            best = min(one.tried, key=lambda shares: one.tried[shares][0])
            value = one.tried[best][0]
        if not value < before - 1e-6 * abs(before):
            break
    _, loss_db, settling_ms, ms = one.tried[best]
    return search.settings(best), loss_db, settling_ms, ms


def _cost(c: Candidate, demands: Demands) -> Any:
    if not demands.settling_weight:
        return c.each.loss_db
    return c.each.loss_db + demands.settling_weight * c.each.settling_ms


def _keeps(c: Candidate, m: int, demands: Demands) -> bool:
    e = c.each
    return not demands.missed_by(e.ms[m], e.gain_margin_db[m], e.phase_margin_deg[m],
                                 e.settling_ms[m])  # fmt: skip
