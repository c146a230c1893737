"""What holds a choice of gains, and what is nearest where nothing keeps all demands."""

import math
from typing import Any, NamedTuple

import numpy as np

from sim.foundations.files.text import counted
from sim.results.units import number
from sim.studies.margins.candidate import Candidate
from sim.studies.margins.demands import DEMANDED, Demands
from sim.studies.margins.search import Search, Shares
from sim.studies.margins.shapes import shaping_words

CHANGE: float = 1e-5
"""Share of the cost below which a demand is not said to hold the choice. [-]"""


class HoldingDemands(NamedTuple):
    """Demands without which a lower cost is found."""

    demands: tuple[str, ...]
    """One, or several that hold only together."""
    gain_db: float
    """By how much the cost is lower. [dB]"""
    without: Candidate
    """What is chosen then."""


class Nearest(NamedTuple):
    """What comes nearest to one demand by itself."""

    demand: str
    kept: bool
    candidate: Candidate
    """If it is kept: the one that misses the others by the least."""


def holds_of(search: Search, chosen: Shares, demands: Demands) -> tuple[HoldingDemands, ...]:
    """Relax each demand and look for something better; then all of them, if none holds alone."""
    found = [_relaxed(search, chosen, demands, (name,)) for name in demands.asked]
    held = [hold for hold in found if hold is not None]
    if not held and len(demands.asked) > 1:
        together = _relaxed(search, chosen, demands, demands.asked)
        if together is not None:
            missed = tuple(demands.missed(together.without, search.slack))
            held = [together._replace(demands=missed)] if missed else []
    return tuple(held)


def _relaxed(
    search: Search, chosen: Shares, demands: Demands, names: tuple[str, ...]
) -> HoldingDemands | None:
    relaxed = demands.without(*names)
    start = search.best(relaxed) or chosen
    shares = search.refine(start, relaxed)
    cost, here = demands.cost_db(search.at(shares)), demands.cost_db(search.at(chosen))
    missed = any(name in demands.missed(search.at(shares), search.slack) for name in names)
    if not missed or not cost < here - CHANGE * abs(here):
        return None
    return HoldingDemands(names, here - cost, search.at(shares))


def why(
    holds: tuple[HoldingDemands, ...], chosen: Candidate, shares: Shares, search: Search,
    demands: Demands,
) -> str:  # fmt: skip
    """Say which demands hold a choice and by how much, or that none does."""
    sentences = [_held_words(hold, chosen, search, demands) for hold in holds]
    if not sentences:
        sentences = [
            "No demand holds it: faster passes more noise than it takes out disturbance and "
            "settling are worth, slower the other way round."
            if demands.settling_weight
            else "No demand holds it: faster passes more noise than it takes out disturbance, "
            "slower the other way round."
        ]
    ends = [
        f"{k.name} at the end of its range, {k.value(x):g}"
        for k, x in zip(search.knobs, shares, strict=True)
        if x in (0.0, 1.0)
    ]
    return " ".join(sentences) + (f" {'; '.join(ends).capitalize()}." if ends else "")


def _held_words(hold: HoldingDemands, chosen: Candidate, search: Search, demands: Demands) -> str:
    parts, then = [], []
    for name in hold.demands:
        noun, unit = DEMANDED[name]
        value, mirror = chosen.worst(name)
        parts.append(
            f"{noun} of mirror {mirror} ({number(value, unit, 4)}, demanded "
            f"{demands.words(name).removeprefix(noun + ' ')})"
        )
        then.append(f"{noun} {number(hold.without.worst(name)[0], unit, 4)}")
    together = ", which hold it together" if len(parts) > 1 else ""
    return (
        f"Held by {' and by '.join(parts)}{together}: without it "
        f"{gains_words(search, hold.without)} would be chosen, with {' and '.join(then)}, at a "
        f"cost {small(hold.gain_db)} dB less."
    )


def small(value: float) -> str:
    """Return a number of two digits without a power of ten."""
    return np.format_float_positional(value, precision=2, fractional=False, trim="-")


def gains_words(search: Search, c: Candidate) -> str:
    """Return the varied settings of a candidate, with their values."""
    return settings_words(c.settings, [k.name for k in search.knobs])


def settings_words(settings: dict[str, Any], names: list[str] | None = None) -> str:
    """Return settings as "name = value", those of these names or all numbers."""
    keys = dict.fromkeys(n.rpartition(".")[0] or n for n in names) if names else settings
    return ", ".join(
        f"{key} = {value_text(settings[key])}"
        for key in keys
        if key in settings and _numeric(settings[key])
    )


def value_text(value: Any) -> str:
    """Return a setting, one number or one for each axis."""
    if isinstance(value, list | tuple):
        return f"({', '.join(f'{v:.4g}' for v in value)})"
    return f"{value:.4g}"


def _numeric(value: Any) -> bool:
    if isinstance(value, list | tuple):
        return bool(value) and all(_numeric(v) for v in value)
    return isinstance(value, int | float) and not isinstance(value, bool)


def nearest_to_each(search: Search, demands: Demands) -> tuple[Nearest, ...]:
    """Return for each demand by itself what keeps it, or comes nearest to it."""
    found = []
    for name in demands.asked:
        alone = demands.alone(name)
        search.nearest(alone)
        kept = [c for c in search.found.values() if alone.met_by(c)]
        if kept:
            best = min(kept, key=lambda c: sum(demands.missed(c).values()))
            found.append(Nearest(name, True, best))
            continue
        stable = [c for c in search.found.values() if c.stable]
        if stable:
            best = min(stable, key=lambda c: alone.missed(c).get(name, 0.0))
            found.append(Nearest(name, False, best))
    return tuple(found)


def refusal(search: Search, demands: Demands, nearest: tuple[Nearest, ...]) -> str:
    """Return a message: no gains keep all demands, and what is nearest to each of them."""
    count = len(search.found)
    if not any(c.stable for c in search.found.values()):
        return f"controller: none of {counted(count, 'set')} of gains makes every mirror stable"
    asked = ", ".join(demands.words(name) for name in demands.asked)
    lines = [
        f"controller: none of {counted(count, 'set')} of gains, with shaping "
        f"{shaping_words(search.shaping)}, keeps all of {asked}, for every mirror"
    ]
    for each in nearest:
        c, words = each.candidate, demands.words(each.demand)
        value = _figure(each.demand, c)
        gains = gains_words(search, c)
        if not each.kept:
            lines.append(
                f"controller: {words} by itself is kept by none; nearest: {gains}, {value}"
            )
            continue
        others = ", ".join(_figure(name, c) for name in demands.asked if name != each.demand)
        lines.append(
            f"controller: {words} by itself: kept by {gains} ({value})"
            + (f", which has {others}" if others else "")
        )
    return "\n".join(lines)


def _figure(name: str, c: Candidate) -> str:
    noun, unit = DEMANDED[name]
    value, mirror = c.worst(name)
    if not math.isfinite(value):
        return f"{noun} none" if name != "settling_ms" else "mirrors that never settle"
    return f"{noun} {number(value, unit, 4)} (mirror {mirror})"
