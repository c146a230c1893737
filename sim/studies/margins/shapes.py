"""Command shapings to choose from, with the gains."""

from collections.abc import Mapping
from typing import Any, Final, NamedTuple

from controllers import SHAPERS
from sim.foundations.errors import ScenarioError
from sim.foundations.ports import Tunable
from sim.studies.margins.candidate import Candidate
from sim.studies.margins.judge import GainJudge
from sim.studies.margins.settling import ringing_of

POINTS: Final = 5
"""Values of a shaper's own setting that are tried."""


class Shaped(NamedTuple):
    """A shaping that was tried, and the best gains with it."""

    shaping: dict[str, Any]
    ringing_ms: float
    """What path and ringing take by themselves, slowest mirror. [ms]"""
    candidate: Candidate | None
    """Best of a coarse scan that keeps the demands; None if none does."""


def shapings_of(judge: GainJudge) -> list[dict[str, Any]]:
    """Return the scenario's own shaping, then every shipped one that these mirrors allow.

    A shaper with `knobs` is tried at several values of each.
    """
    own = dict(judge.built.resolved.shaping)
    wanted: list[dict[str, Any]] = []
    for kind, part in SHAPERS.items():
        if isinstance(part, Tunable):
            knob = part.knobs[0]
            shares = [i / (POINTS - 1) for i in range(POINTS)]
            wanted += [{"kind": kind, knob.name: knob.value(share)} for share in shares]
        else:
            wanted.append({"kind": kind})
    found = [own]
    for shaping in wanted:
        if shaping == own:
            continue
        try:
            judge.worlds[0].move(shaping)
        except ScenarioError:
            continue  # such as too few drive ticks in a period
        found.append(shaping)
    return found


def ringing_ms(judge: GainJudge, shaping: Mapping[str, Any]) -> float:
    """Return what a shaped path and the ringing after it take by themselves. [ms]"""
    move = judge.worlds[0].move(shaping)
    return 1e3 * float(ringing_of(judge.built, move).max())


def shaping_words(shaping: Mapping[str, Any]) -> str:
    """Return a shaping in words."""
    own = ", ".join(f"{k} = {v:g}" for k, v in shaping.items() if k != "kind")
    return f"{shaping['kind']}{f' ({own})' if own else ''}"


def ringing_words(
    judge: GainJudge, own: Mapping[str, Any], demanded_ms: float | None
) -> str:
    """Say so if the path and its ringing alone exceed a demand, and what other shaping would do."""
    if demanded_ms is None or ringing_ms(judge, own) <= demanded_ms:
        return ""
    other = [s for s in shapings_of(judge) if s != own]
    others = sorted((ringing_ms(judge, s), shaping_words(s)) for s in other)
    does = ", ".join(f"{words} {ms:.1f} ms" for ms, words in others)
    return (
        f"shaping: without any correction the path of {shaping_words(own)} and the ringing after "
        f"it take {ringing_ms(judge, own):.1f} ms, more than the {demanded_ms:g} ms demanded; "
        f"others would take: {does}. --shape lets tune choose"
    )
