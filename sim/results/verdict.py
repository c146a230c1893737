"""The verdict of a run in one sentence: its number, its limit, and who it is owed to."""

from collections.abc import Mapping, Sequence
from typing import Any, Literal, NamedTuple

from sim.results.connection_losses import DARK_DB, is_dark
from sim.results.ranking import Culprit
from sim.results.table import LIMITED
from sim.results.units import number_beside, unit_sign

Word = Literal["unstable", "met", "missed", "not shown", "not exercised", "no limits"]


class Verdict(NamedTuple):
    """What a run says about its limits."""

    word: Word
    text: str
    """In one sentence, deciding limit first."""
    deciding: str | None
    """Name of the limit that was missed by most, or met with the least to spare."""
    because: tuple[str, ...]
    """Why the limits were not put to the test."""
    beyond: tuple[str, ...] = ()
    """What happened that no run may pass with."""
    short: tuple[str, ...] = ()
    """Which events do not reach the response spectrum that is required of them."""
    diverging: tuple[str, ...] = ()
    """Loops that diverged."""

    @property
    def passes(self) -> bool:
        """Whether nothing speaks against the run."""
        return self.word in ("met", "no limits")


def verdict_of(
    limits: Sequence[Mapping[str, Any]],
    culprits: Mapping[str, Culprit],
    because: Sequence[str],
    beyond: Sequence[str] = (),
    diverging: Sequence[str] = (),
    *,
    short: Sequence[str] = (),
    plain: bool = False,
) -> Verdict:
    """Return the verdict.

    Parameters
    ----------
    limits : sequence of mapping
        From `sim.results.limits.check_limits`.
    culprits : mapping
        From `sim.results.ranking.rank`.
    because : sequence of str
        From `sim.results.exercise.not_exercised`.
    beyond : sequence of str
        What happened that no run may pass with, such as a core that strikes its frame.
    diverging : sequence of str
        Loops that diverged, from `sim.results.stability.diverging_words`: no run passes with them,
        with limits or without.
    short : sequence of str
        From `sim.studies.played.required_spectrum.missed_spectra`: a run is no proof with
        them, with limits or without.
    plain : bool
        Whether to print ASCII alone.
    """
    if diverging:
        calm = verdict_of(limits, culprits, because, beyond, short=short, plain=plain)
        text = f"Unstable: {'; '.join(diverging)}. {calm.text}"
        return calm._replace(word="unstable", text=text, diverging=tuple(diverging))
    if short:
        rest = verdict_of(limits, culprits, because, beyond, plain=plain)
        said = _sentence("; ".join(short))
        if rest.passes or rest.word == "not exercised":
            text = f"Not shown: {'; '.join(short)}. {rest.text}"
            return rest._replace(word="not shown", text=text, short=tuple(short))
        return rest._replace(text=f"{rest.text} {said}.", short=tuple(short))
    if not limits:
        text = "".join(f" {_sentence(what)}." for what in beyond)
        return Verdict("no limits", f"No limit was asked for.{text}", None, tuple(because),
                       tuple(beyond))  # fmt: skip
    order = sorted(limits, key=used_share, reverse=True)
    missed = [row for row in order if not row["met"]]
    phrases = "; ".join(_phrase(row, culprits, plain) for row in order)
    if missed:
        text = f"Missed {len(missed)} of {len(limits)}: {phrases}."
        return Verdict("missed", text, missed[0]["name"], tuple(because), tuple(beyond))
    if beyond:
        text = f"Not shown: {'; '.join(beyond)}. Met beside that: {phrases}."
        return Verdict("not shown", text, order[0]["name"], tuple(because), tuple(beyond))
    if because:
        text = f"Not exercised: {'; '.join(because)}. What was met without it: {phrases}."
        return Verdict("not exercised", text, order[0]["name"], tuple(because))
    return Verdict("met", f"Met: {phrases}.", order[0]["name"], ())


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]


def used_share(row: Mapping[str, Any]) -> float:
    """Return how much of a limit is used: 1 at the limit, above it beyond, inf if there is none."""
    value, limit = row["value"], row["limit"]
    if value is None:
        return float("inf")
    if LIMITED[row["name"]].worse == "lower":
        value, limit = limit, value
    if limit == 0:
        return 0.0 if value <= 0 else float("inf")
    return float(value / limit)


def _phrase(row: Mapping[str, Any], culprits: Mapping[str, Culprit], plain: bool) -> str:
    figure = LIMITED[row["name"]]
    if row["value"] is None:
        return f"{figure.said}: no figure"
    if row["value"] == row["limit"] == 0 and figure.unit in ("", "ms"):
        return f"no {figure.said}"
    value = number_beside(row["value"], row["limit"], figure.unit, plain=plain).split()
    unit = f" {unit_sign(figure.unit, plain=plain)}" if figure.unit else ""
    number = " ".join(value[:-1]) if figure.unit else value[0]
    text = f"{figure.said} {number} of {row['limit']:g}{unit}"
    if is_dark(figure, row["value"]):
        text = f"{figure.said}: dark (above {DARK_DB:g} dB, limit {row['limit']:g} dB)"
    who = culprits.get(figure.path)
    return text if who is None else f"{text}, {who.words}"
