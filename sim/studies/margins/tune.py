"""Choosing gains: least predicted cost with the demands kept for the whole population."""

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from controllers import CONTROLLERS
from sim.assembly.build import Built
from sim.foundations.errors import ScenarioError
from sim.foundations.ports import Knob, Tunable, WithRules
from sim.studies.margins.candidate import Candidate
from sim.studies.margins.demands import Demands
from sim.studies.margins.holds import HoldingDemands, holds_of, nearest_to_each, refusal, why
from sim.studies.margins.judge import GainJudge, JudgedMirrors
from sim.studies.margins.retune import Alone, alone_of
from sim.studies.margins.robust import Robust, SettlingUnder
from sim.studies.margins.search import Search, by_axis, with_values
from sim.studies.margins.shapes import Shaped, ringing_ms, ringing_words, shapings_of
from sim.studies.margins.uncertain import Box, altered, box_of
from sim.studies.margins.worst import MARGINS, Worst, excess_of, figures_at, look

SLACK: Final = 0.004
"""Margins are kept by this much more while searching on the coarse grid, relative."""
SLACKS: Final = (SLACK, 2 * SLACK, 4 * SLACK, 8 * SLACK, 0.0)
"""What is tried in turn, until the choice keeps the margins on the fine grid."""
MOST_SLACK: Final = 1
"""Place of the largest one that a search over [uncertainty] starts with."""
FINE: Final = 1600
"""Frequencies on which the choice is checked."""
COARSE: Final = {1: 17, 2: 7}
"""Points of each knob in the scan of one shaping among many."""
CURVE: Final = 25
"""Gains in the figure of everything against gain."""
TAKEN: Final = 8
"""Mirrors of a worse switch that the search is given."""
ROUNDS: Final = 8
"""Most times that a worse switch is found and taken in."""
Progress = Callable[[int], None]
Watch = Callable[[str, int, int], None]


class Refused(ScenarioError):
    """No gains keep the demands."""


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
    """What holds the choice, and by how much."""
    judge: GainJudge
    """What evaluated them, for more of the same."""
    holds: tuple[HoldingDemands, ...] = ()
    names: tuple[str, ...] = ()
    """The settings that were varied."""
    curve: tuple[Candidate, ...] = ()
    """Along the first of them, all others as chosen."""
    shapings: tuple[Shaped, ...] = ()
    """Command shapings that were tried, the scenario's own first; empty if it was kept."""
    costliest: tuple[Alone, ...] = ()
    """Single mirrors that cost the most, and what gains of their own would give."""
    robust: Robust | None = None
    """With --robust: how the demands are kept over the uncertainty."""
    common: Candidate | None = None
    """The best gains that are the same for both axes, where each axis has its own."""


class _Found(NamedTuple):
    """A search that ended, its choice, and the best common gains if each axis has its own."""

    search: Search
    shares: tuple[float, ...]
    chosen: Candidate
    common: Candidate | None


def tune(
    built: Built,
    demands: Demands,
    knobs: Sequence[Knob] | None = None,
    progress: Progress | None = None,
    *,
    shape: bool = False,
    each_axis: bool = False,
    robust: bool = False,
    watching: Callable[[str, int, int], None] | None = None,
) -> TuningResult:
    """Search for the gains of the least predicted cost that keep the demands.

    The cost is the mean excess loss, plus the mean settling times its weight.

    A scan over the whole range, then steps along single knobs from the best points, halved until
    they are `sim.studies.margins.search.FINEST` of the range. What is not a knob stays as the
    scenario has it. The search proves no global optimum.

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
    shape : bool
        Whether the command shaping is chosen too.
    each_axis : bool
        Whether each axis may get its own gains, starting from the best common ones.
    robust : bool
        Whether the demands are held over the scenario's `[uncertainty]`. The worst switches of each
        choice, in the corners or inside, are taken into the search until a look finds none that
        misses a demand.
    watching : callable, optional
        Called with what is looked at, how many are done, and of how many.

    Returns
    -------
    TuningResult

    Raises
    ------
    ScenarioError
        If there is nothing to vary for this controller, or no gains keep the demands.
    """
    judge = GainJudge(built, demands)
    knobs = _knobs_of(judge, knobs)
    base = dict(built.resolved.controller)
    count = 0

    def tell() -> None:
        nonlocal count
        count += 1
        if progress is not None:
            progress(count)

    watch = watching or (lambda what, done, total: None)
    box = box_of(built, watch) if robust else None
    own = dict(built.resolved.shaping)
    shapings = _shapings(judge, knobs, base, tell) if shape else ()
    ways = _by_cost(shapings, demands) if shape else [own]
    each = _by_axis(judge, knobs, base) if each_axis else None
    taken: list[str] = []
    for shaping in ways:
        try:
            found, kept = _found(judge, knobs, each, base, shaping, box, taken, tell, watch)
            break
        except Refused:
            if shaping == ways[-1]:
                raise
    search, shares, chosen, common = found
    holds = holds_of(search, shares, demands)
    return TuningResult(
        chosen=chosen,
        present=judge.candidate(base),
        rules=_rules(judge, base),
        tried=tuple(search.found.values()),
        demands=demands,
        why=why(holds, chosen, shares, search, demands),
        holds=holds,
        names=tuple(k.name for k in search.knobs),
        curve=_curve(judge, search, shares),
        shapings=shapings,
        costliest=alone_of(judge, chosen, search, demands),
        robust=kept,
        common=common,
        judge=judge,
    )


def _knobs_of(judge: GainJudge, knobs: Sequence[Knob] | None) -> Sequence[Knob]:
    if knobs is not None:
        for knob in knobs:
            for end in (knob.low, knob.high):
                try:
                    judge.controller(dict(judge.built.resolved.controller) | {knob.name: end})
                except ScenarioError as exc:
                    raise ScenarioError(f"--vary {knob.name}: {exc}") from exc
        return knobs
    if not isinstance(judge.part, Tunable):
        known = [name for name, part in CONTROLLERS.items() if isinstance(part, Tunable)]
        raise ScenarioError(
            f'controller.kind: nothing is known to be tuned in "{judge.kind}"; name settings '
            f"with --vary NAME=LOW..HIGH. Known: {', '.join(known)}."
        )
    return judge.part.knobs


def _by_axis(
    judge: GainJudge, knobs: Sequence[Knob], base: Mapping[str, Any]
) -> tuple[Knob, ...]:
    """Return a knob for each axis in place of each that the controller takes for both."""
    both = by_axis(knobs)
    try:
        judge.controller(with_values(base, {k.name: k.value(0.5) for k in both}))
    except ScenarioError as exc:
        names = ", ".join(k.name for k in knobs)
        raise ScenarioError(
            f'--by-axis: "{judge.kind}" takes one value of {names} for both axes'
        ) from exc
    return both


def _chosen(
    judge: GainJudge, knobs: Sequence[Knob], base: Mapping[str, Any], shaping: Mapping[str, Any],
    tell: Callable[[], None], slacks: Sequence[float],
) -> _Found:  # fmt: skip
    """Search with one shaping; the choice is checked on the fine grid, with more slack if need be.

    What keeps the demands there counts, even if the slack of the coarse grid would not let it
    through: only then are they refused.
    """
    demands = judge.demands
    search = Search(judge, knobs, base, shaping, tell, SLACK)
    search.scan()
    for slack in slacks:
        search.slack = slack
        best = search.best(demands)
        if best is None:
            search.nearest(demands)
            best = search.best(demands)
        if best is None:
            continue
        best = search.refine(best, demands)
        chosen = judge.candidate(search.settings(best), FINE, shaping)
        if chosen.meets:
            return _Found(search, best, chosen, None)
    message = refusal(search, demands, nearest_to_each(search, demands))
    ringing = ringing_words(judge, shaping, demands.settling_ms)
    raise Refused("\n".join(filter(None, (message, ringing))))


def _found(
    judge: GainJudge, knobs: Sequence[Knob], each: Sequence[Knob] | None, base: Mapping[str, Any],
    shaping: Mapping[str, Any], box: Box | None, taken: list[str], tell: Callable[[], None],
    watch: Watch,
) -> tuple[_Found, Robust | None]:  # fmt: skip
    """Search with one shaping; again and again, with the worst switches that each choice meets."""
    turn = 0
    while True:
        found = _chosen(judge, knobs, base, shaping, tell, SLACKS[min(turn, MOST_SLACK) :])
        if each is not None:
            found = _each_axis(judge, each, base, shaping, tell, found)
        chosen = found.chosen
        if box is None:
            return found, None
        settling = SettlingUnder(judge, chosen.settings, shaping)
        looked = look(box, judge.linear(chosen.settings), judge.demands, turn, settling, watch)
        missed = [w for w in looked.worst if w.excess > 0]
        turn += 1
        if not missed or turn == ROUNDS:
            chosen = chosen._replace(meets=chosen.meets and not missed)
            robust = Robust(looked, box, tuple(taken), not missed)
            return found._replace(chosen=chosen), robust
        for w in missed:
            switch = box.switches[w.population]
            rows = altered(switch, _worst_mirrors(judge, switch, w, chosen), w.point[None])
            taken.append(w.label(box))
            judge.worlds.append(JudgedMirrors(switch, f"switch {len(taken)}", rows))


def _worst_mirrors(
    judge: GainJudge, switch: Built, w: Worst, chosen: Candidate
) -> NDArray[np.intp]:
    """Return the mirrors of a switch that miss a demand by the most, for the search to keep."""
    if w.demand not in MARGINS:
        return w.place
    everyone = np.arange(len(switch.parts.mirrors))
    f = figures_at(switch, judge.linear(chosen.settings), everyone, w.point[None])
    return np.argsort(-excess_of(judge.demands, f, 1)[w.demand][0], kind="stable")[:TAKEN]


def _each_axis(
    judge: GainJudge, each: Sequence[Knob], base: Mapping[str, Any], shaping: Mapping[str, Any],
    tell: Callable[[], None], common: _Found,
) -> _Found:  # fmt: skip
    """Go on from the best common gains with gains of each axis; those, where nothing is better."""
    start = tuple(x for x in common.shares for _ in range(2))
    search = Search(judge, each, base, shaping, tell, common.search.slack)
    for factor in (1, 2, 4):
        search.slack = factor * common.search.slack
        shares = search.refine(start, judge.demands)
        chosen = judge.candidate(search.settings(shares), FINE, shaping)
        if chosen.meets:
            return _Found(search, shares, chosen, common.chosen)
    return _Found(search, start, common.chosen, common.chosen)


def _shapings(
    judge: GainJudge, knobs: Sequence[Knob], base: Mapping[str, Any], tell: Callable[[], None]
) -> tuple[Shaped, ...]:
    """Scan the gains coarsely with each shaping."""
    found = []
    for shaping in shapings_of(judge):
        search = Search(judge, knobs, base, shaping, tell, SLACK)
        search.scan(COARSE.get(len(knobs), 4))
        best = search.best(judge.demands)
        candidate = None if best is None else search.at(best)
        found.append(Shaped(shaping, ringing_ms(judge, shaping), candidate))
    return tuple(found)


def _by_cost(shapings: Sequence[Shaped], demands: Demands) -> list[dict[str, Any]]:
    """Return the shapings to search with, in turn: those that keep the demands, by their cost.

    Where none does in the coarse scan, the two of the least ringing.
    """
    kept = [(demands.cost_db(s.candidate), i) for i, s in enumerate(shapings) if s.candidate]
    if kept:
        return [shapings[i].shaping for _, i in sorted(kept)]
    return [s.shaping for s in sorted(shapings, key=lambda s: s.ringing_ms)[:2]]


def _curve(judge: GainJudge, search: Search, shares: tuple[float, ...]) -> tuple[Candidate, ...]:
    """Return candidates along the first knob; both axes together where each has its own."""
    together = 2 if search.knobs[0].name.endswith(".x") else 1
    points = []
    for i in range(CURVE):
        share = i / (CURVE - 1)
        at = (*(share,) * together, *shares[together:])
        points.append(judge.candidate(search.settings(at), shaping=search.shaping))
    return tuple(points)


def _rules(judge: GainJudge, base: dict[str, Any]) -> dict[str, Candidate]:
    """What published rules, or the kind's own, make of the believed plant."""
    rules = judge.part.rules(judge.belief) if isinstance(judge.part, WithRules) else {}
    return {name: judge.candidate(base | values) for name, values in rules.items()}
