"""Single mirrors that cost the most, and what gains of their own would give."""

from collections.abc import Sequence
from typing import Any, Final, NamedTuple

import numpy as np

from sim.results.metrics import mirror_name
from sim.studies.margins.candidate import Candidate
from sim.studies.margins.demands import Demands
from sim.studies.margins.judge import GainJudge

LISTED: Final = 8


class Alone(NamedTuple):
    """One mirror under the chosen gains, and under the best of those tried for it alone."""

    mirror: str
    loss_db: float
    """What it adds to its connection's mean excess loss. [dB]"""
    settling_ms: float
    ms: float
    settings: dict[str, Any]
    """Best gains tried for this mirror alone; the demands on it are kept."""
    loss_alone_db: float
    settling_alone_ms: float
    ms_alone: float


def alone_of(
    judge: GainJudge, chosen: Candidate, tried: Sequence[Candidate], demands: Demands
) -> tuple[Alone, ...]:
    """Return the mirrors that cost the most under the chosen gains, each with its own best gains.

    A mirror costs what it adds to the loss of its connection, and its settling times the weight.
    """
    tried = [c for c in (*tried, chosen) if c.stable]
    cost = np.stack([_cost(c, demands) for c in tried])
    mirrors, ports = judge.built.parts.mirrors, judge.built.resolved.switch.geometry.ports_per_side
    found = []
    for m in np.argsort(-_cost(chosen, demands), kind="stable")[:LISTED]:
        kept = np.array([_keeps(c, int(m), demands) for c in tried])
        here = np.where(kept, cost[:, m], np.inf)
        best = tried[int(here.argmin())] if kept.any() else chosen
        a, b = chosen.each, best.each
        found.append(
            Alone(
                mirror_name(int(mirrors[m]), ports), float(a.loss_db[m]), float(a.settling_ms[m]),
                float(a.ms[m]), best.settings, float(b.loss_db[m]), float(b.settling_ms[m]),
                float(b.ms[m]),
            )
        )  # fmt: skip
    return tuple(found)


def _cost(c: Candidate, demands: Demands) -> Any:
    if not demands.settling_weight:
        return c.each.loss_db
    return c.each.loss_db + demands.settling_weight * c.each.settling_ms


def _keeps(c: Candidate, m: int, demands: Demands) -> bool:
    e = c.each
    return bool(
        e.ms[m] <= demands.ms
        and e.gain_margin_db[m] >= demands.gain_margin_db
        and e.phase_margin_deg[m] >= demands.phase_margin_deg
        and (demands.settling_ms is None or e.settling_ms[m] <= demands.settling_ms)
    )
