"""Which estimator to take: least price over several sets of frames, and how sure that is."""

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np

from sim.foundations.files.text import counted
from sim.foundations.ports import Array
from sim.studies.estimators.price import ConditionPrice

CHANCE = 3.0
"""Standard errors within which a lead is put down to chance."""
LEAST_LEAD = 0.01
"""A lead smaller than this is no lead, however sure: no estimator's settings are better known."""
WORST_SHOWN = 2


class CandidateScore(NamedTuple):
    """What the choice goes by, for one estimator."""

    estimator: str
    price_px: tuple[float, ...]
    """Of each set of frames, cost left out. [px]"""
    cost_factor: float
    multiply_adds: int | None
    conditions: Sequence[ConditionPrice]
    """Mean over the sets."""
    ruled_out: str | None = None
    """Why it may not be chosen at all."""


class Choice(NamedTuple):
    """What is recommended, how sure that is, and why the others are not."""

    estimator: str | None
    """None if every estimator is ruled out."""
    reasons: tuple[str, ...]
    passed_over: Mapping[str, str]
    """Every other estimator, with its number."""
    sets_won: int
    sets: int
    equals: tuple[str, ...]
    """Those that it does not lead by more than chance."""
    price_px: Mapping[str, float]
    """Rms over the sets, for every estimator. [px]"""


def recommend(scores: Sequence[CandidateScore]) -> Choice:
    """Choose by `sim.studies.estimators.price.RULES`.

    Parameters
    ----------
    scores : sequence of CandidateScore
        All that take part, in any order; of equals in cost the first is taken.

    Raises
    ------
    ValueError
        If nothing takes part, or the sets of frames are not the same for all.
    """
    if not scores or len({len(s.price_px) for s in scores}) != 1:
        raise ValueError("scores must hold estimators, each with the same sets of frames")
    able = [s for s in scores if s.ruled_out is None]
    overall = {s.estimator: float(np.sqrt(np.mean(np.square(s.price_px)))) for s in scores}
    out = {s.estimator: s.ruled_out for s in scores if s.ruled_out is not None}
    sets = len(scores[0].price_px)
    if not able:
        return Choice(None, ("Every estimator is ruled out.",), out, 0, sets, (), overall)
    ranked = {s.estimator: _ranked(s) for s in able}
    best = min(able, key=lambda s: float(ranked[s.estimator].mean()))
    equal = [s for s in able if not _led(ranked[best.estimator], ranked[s.estimator])]
    chosen = min(equal, key=lambda s: s.cost_factor)
    others = [s for s in able if s is not chosen]
    firsts = [min(able, key=lambda s: ranked[s.estimator][k]).estimator for k in range(sets)]
    among = {s.estimator for s in equal}
    won = sum(name in among for name in firsts)
    equals = tuple(s.estimator for s in equal if s is not chosen)
    for other in others:
        out[other.estimator] = _why(chosen, other, ranked, other.estimator in equals)
    return Choice(
        chosen.estimator,
        _reasons(chosen, others, ranked, equals, won, sets, overall),
        out,
        won,
        sets,
        equals,
        overall,
    )


def _ranked(s: CandidateScore) -> Array:
    """Logarithm of price and cost together, for each set of frames."""
    return np.log(np.maximum(s.price_px, 1e-12)) + float(np.log(s.cost_factor))


def lead(first: Array, second: Array) -> tuple[float, float]:
    """Return how far the first is ahead, as a part of the second, and its standard error."""
    ahead = 1 - np.exp(first - second)
    error = float(ahead.std(ddof=1) / np.sqrt(len(ahead))) if len(ahead) > 1 else float("inf")
    return float(ahead.mean()), error


def _led(first: Array, second: Array) -> bool:
    """Whether the second is behind by more than chance."""
    ahead, error = lead(first, second)
    return ahead > max(CHANCE * error, LEAST_LEAD)


def _why(
    chosen: CandidateScore, other: CandidateScore, ranked: Mapping[str, Array], equal: bool
) -> str:
    ahead, error = lead(ranked[chosen.estimator], ranked[other.estimator])
    worst = sorted(other.conditions, key=lambda c: -c.weight * c.price_px**2)[:WORST_SHOWN]
    costs = "; ".join(_condition(c) for c in worst)
    if equal:
        return (
            f"equal but for chance ({100 * ahead:.1f} +- {100 * error:.1f} % behind), not cheaper"
        )
    behind = f"{100 * ahead:.0f} +- {100 * error:.1f} % behind" if ahead > 0 else "ahead by chance"
    return f"{behind}; costs most: {costs}"


def _condition(c: ConditionPrice) -> str:
    name = "the camera as it is" if c.name == "nominal" else c.name.replace("_", " ")
    text = f"{name} {c.price_px:.3f} px"
    shares = [(c.lost, "lost"), (c.wrong, "wrong")]
    said = [f"{100 * share:.1f} % {word}" for share, word in shares if share >= 0.001]
    return text + (f" ({', '.join(said)})" if said else "")


def _reasons(
    chosen: CandidateScore, others: Sequence[CandidateScore], ranked: Mapping[str, Array],
    equals: Sequence[str], won: int, sets: int, overall: Mapping[str, float],
) -> tuple[str, ...]:  # fmt: skip
    reasons = []
    if equals:
        reasons.append(
            f"One of {1 + len(equals)} that chance does not separate (the others: "
            f"{', '.join(equals)}), and the cheapest of them; one of these is best in {won} of "
            f"{counted(sets, 'seed')}."
        )
    else:
        reasons.append(f"Best in {won} of {counted(sets, 'seed')}.")
    behind = [s for s in others if s.estimator not in equals]
    if behind:
        second = min(behind, key=lambda s: float(ranked[s.estimator].mean()))
        ahead, error = lead(ranked[chosen.estimator], ranked[second.estimator])
        reasons.append(
            f"{100 * ahead:.0f} % ahead of {second.estimator}, the next; standard error over the "
            f"seeds {100 * error:.1f} %."
        )
    worst = max(chosen.conditions, key=lambda c: c.weight * c.price_px**2)
    reasons.append(
        f"Price {overall[chosen.estimator]:.4f} px; what costs it most: {_condition(worst)}."
    )
    count = chosen.multiply_adds
    reasons.append("No cost stated." if count is None else f"{count} multiply-adds per spot.")
    return tuple(reasons)
