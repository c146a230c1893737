"""Choosing gains: least predicted loss with margins kept for the whole population."""

from collections.abc import Callable, Sequence
from itertools import product
from typing import Any, Final, NamedTuple

import numpy as np

from controllers import CONTROLLERS
from sim.assembly.build import Built
from sim.errors import ScenarioError
from sim.ports import Knob, Tunable, WithRules
from sim.studies.margins.judge import Candidate, Demands, GainJudge

SLACK: Final = 0.004
"""Margins are kept by this much more while searching on the coarse grid, relative."""
FINEST: Final = 2.0**-8
"""Smallest step of the search, as a share of each knob's range."""


class TuningResult(NamedTuple):
    """What the search found."""

    chosen: Candidate
    present: Candidate
    """The scenario's own settings."""
    rules: dict[str, Candidate]
    """Published rules, where they exist for this controller."""
    tried: tuple[Candidate, ...]
    demands: Demands
    why: str
    """Why the search stopped where it did."""


def tune(
    built: Built,
    demands: Demands,
    knobs: Sequence[Knob] | None = None,
    progress: Callable[[int], None] | None = None,
) -> TuningResult:
    """Search for the gains of the least predicted cost that keep the demands.

    The cost is the mean excess loss, plus the slowest settling times its weight.

    A scan over the whole range, then steps along single knobs from the best points, halved until
    they are `FINEST` of the range. What is not a knob stays as the scenario has it.

    Parameters
    ----------
    built : Built
        The scenario.
    demands : Demands
        What every mirror must keep.
    knobs : sequence of Knob, optional
        What to vary; what the kind of controller offers if left out.
    progress : callable, optional
        Called with the number of gains tried so far.

    Returns
    -------
    Outcome

    Raises
    ------
    ScenarioError
        If there is nothing to vary for this controller, or no gains keep the demands.
    """
    judge = GainJudge(built, demands)
    if knobs is None:
        if not isinstance(judge.part, Tunable):
            known = [name for name, part in CONTROLLERS.items() if isinstance(part, Tunable)]
            raise ScenarioError(
                f'controller.kind: nothing is known to be tuned in "{judge.kind}"; name settings '
                f"with --vary NAME=LOW..HIGH. Known: {', '.join(known)}."
            )
        knobs = judge.part.knobs
    base = dict(built.resolved.controller)
    cache: dict[tuple[float, ...], Candidate] = {}

    def at(shares: tuple[float, ...]) -> Candidate:
        if shares not in cache:
            values = {k.name: k.value(x) for k, x in zip(knobs, shares, strict=True)}
            cache[shares] = judge.candidate(base | values, SLACK)
            if progress is not None:
                progress(len(cache))
        return cache[shares]

    n = {1: 33, 2: 11, 3: 6}.get(len(knobs), 4)
    for shares in product(np.linspace(0, 1, n).tolist(), repeat=len(knobs)):
        at(tuple(shares))
    step = 0.5 / (n - 1)
    while not any(c.meets for c in cache.values()) and step > FINEST:
        # The scan may step over what keeps the demands: close in on its nearest point.
        nearest = min(cache, key=lambda s: _excess(cache[s], demands))
        for i in range(len(knobs)):
            for d in (-step, step):
                at((*nearest[:i], min(max(nearest[i] + d, 0.0), 1.0), *nearest[i + 1 :]))
        if min(cache, key=lambda s: _excess(cache[s], demands)) == nearest:
            step /= 2
    good = sorted((s for s, c in cache.items() if c.meets), key=lambda s: demands.cost_db(cache[s]))
    if not good:
        raise ScenarioError(_none(tuple(cache.values()), demands))
    best = good[0]
    step = 0.5 / (n - 1)
    while step > FINEST:
        around = [
            (*best[:i], min(max(best[i] + d, 0.0), 1.0), *best[i + 1 :])
            for i in range(len(knobs))
            for d in (-step, step)
        ]
        cost = demands.cost_db(at(best))
        better = [s for s in around if at(s).meets and demands.cost_db(at(s)) < cost]
        if better:
            best = min(better, key=lambda s: demands.cost_db(at(s)))
        else:
            step *= 0.5
    chosen = judge.candidate(at(best).settings, 0.0, 1600)
    return TuningResult(
        chosen=chosen,
        present=judge.candidate(base),
        rules=_rules(judge, base),
        tried=tuple(cache.values()),
        demands=demands,
        why=_why(chosen, at(best), best, knobs, demands),
    )


def _rules(judge: GainJudge, base: dict[str, Any]) -> dict[str, Candidate]:
    """What published rules, or the kind's own, make of the believed plant."""
    rules = judge.part.rules(judge.belief) if isinstance(judge.part, WithRules) else {}
    return {name: judge.candidate(base | values) for name, values in rules.items()}


def _why(
    chosen: Candidate, coarse: Candidate, shares: tuple[float, ...], knobs: Sequence[Knob],
    demands: Demands,
) -> str:  # fmt: skip
    """Say which demand holds the chosen point, or that none does."""
    held = []
    if coarse.ms > demands.ms * (1 - 4 * SLACK):
        held.append(f"Ms of mirror {coarse.ms_mirror} ({coarse.ms:.3f} of {demands.ms:g})")
    if coarse.gain_margin_db < demands.gain_margin_db * (1 + 8 * SLACK):
        held.append(
            f"gain margin of mirror {coarse.gain_mirror} "
            f"({coarse.gain_margin_db:.2f} of {demands.gain_margin_db:g} dB)"
        )
    if coarse.phase_margin_deg < demands.phase_margin_deg * (1 + 4 * SLACK):
        held.append(
            f"phase margin of mirror {coarse.phase_mirror} "
            f"({coarse.phase_margin_deg:.1f} of {demands.phase_margin_deg:g} deg)"
        )
    if demands.settling_ms is not None and coarse.settling_ms > 0.95 * demands.settling_ms:
        held.append(
            f"settling of mirror {coarse.settling_mirror} "
            f"({coarse.settling_ms:.1f} of {demands.settling_ms:g} ms)"
        )
    ends = [
        f"{k.name} at the end of its range, {k.value(x):g}"
        for k, x in zip(knobs, shares, strict=True)
        if x in (0.0, 1.0)
    ]
    if held:
        text = "Held by " + " and by ".join(held) + "."
    elif demands.settling_weight:
        text = (
            "No demand holds it: faster costs more loss than the settling it saves is worth, "
            "slower the other way round."
        )
    else:
        text = (
            "No demand holds it: faster passes more noise than it takes out disturbance, slower "
            "the other way round."
        )
    return text + (f" {'; '.join(ends).capitalize()}." if ends else "")


def _excess(c: Candidate, demands: Demands) -> float:
    """Return by how much the demands are missed, each as a share of itself, added up."""
    if not c.stable:
        return float("inf")
    late = 0.0
    if demands.settling_ms is not None:
        late = max(c.settling_ms / demands.settling_ms - 1, 0.0)
    lack = max(1 - c.gain_margin_db / max(demands.gain_margin_db, 1e-9), 0.0)
    lack += max(1 - c.phase_margin_deg / max(demands.phase_margin_deg, 1e-9), 0.0)
    return max(c.ms / demands.ms - 1, 0.0) + lack + late


def _none(tried: Sequence[Candidate], demands: Demands) -> str:
    stable = [c for c in tried if c.stable]
    if not stable:
        return "controller: no gains in the range make every mirror stable"

    nearest = min(stable, key=lambda c: _excess(c, demands))
    settling = "" if demands.settling_ms is None else f", settling {demands.settling_ms:g} ms"
    return (
        f"controller: none of {len(tried)} gains keeps Ms {demands.ms:g}, gain margin "
        f"{demands.gain_margin_db:g} dB, phase margin {demands.phase_margin_deg:g} deg{settling} "
        f"for every mirror; the nearest has Ms {nearest.ms:.3f} (mirror {nearest.ms_mirror}), "
        f"{nearest.gain_margin_db:.2f} dB (mirror {nearest.gain_mirror}), "
        f"{nearest.phase_margin_deg:.1f} deg (mirror {nearest.phase_mirror}) and settles in "
        f"{nearest.settling_ms:.1f} ms (mirror {nearest.settling_mirror})"
        f"{_ringing(nearest, demands)}"
    )


def _ringing(c: Candidate, demands: Demands) -> str:
    """Say so if the path and the ringing after it are slower than the demand by themselves."""
    if demands.settling_ms is None or c.ringing_ms <= demands.settling_ms:
        return ""
    return (
        f"; without any correction the commanded path and the ringing after it take "
        f"{c.ringing_ms:.1f} ms (mirror {c.ringing_mirror}): another [shaping] may do more than "
        "gains can"
    )
