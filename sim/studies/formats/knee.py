"""The knee of a curve of residual against bits, and how sure it is."""

from collections.abc import Sequence
from typing import Final, NamedTuple

from sim.studies.formats.sweep import SweepRow

TOLERATED_PCT: Final = 1.0
"""What a word length may change the residual of floating point by, either way. [%]"""
TOGETHER_PCT: Final = 2.0 * TOLERATED_PCT
"""The same of all recommended words together, and of the words of a scenario. [%]"""
SURE: Final = 2.0
"""Standard errors that a word must keep clear of that, to be sure of it."""


class Knee(NamedTuple):
    """Where more bits no longer help."""

    word: str
    knee: int | None
    """Fewest bits whose residual, and that of all longer words, stays within what is tolerated;
    None: no word that was tried does. [bit]"""
    sure: int | None
    """The same with twice the standard error on top. [bit]"""
    recommended: int | None
    """The sure one where there is one, else the knee and a bit more. [bit]"""
    cost_pct: float | None
    """What the recommended word adds. [%]"""
    cost_sd_pct: float | None
    words: str
    """How sure it is."""


def knee_of(word: str, rows: Sequence[SweepRow]) -> Knee:
    """Return the knee of one word's curve.

    Parameters
    ----------
    word : str
        Which.
    rows : sequence of SweepRow
        Its lengths, in rising order.
    """
    knee = _fewest(rows, 0.0)
    sure = _fewest(rows, SURE)
    if knee is None:
        return Knee(word, None, None, None, None, None, _why_none(rows))
    if sure is not None:
        chosen = next(row for row in rows if row.bits == sure)
        words = f"within {TOLERATED_PCT:g} % by {SURE:g} standard errors or more"
        if sure > knee:
            words += f"; {knee} bits are within it, but not by that much"
        return Knee(word, knee, sure, sure, chosen.more_pct, chosen.more_sd_pct, words)
    longer = [row for row in rows if row.bits > knee and row.refused is None]
    chosen = longer[0] if longer else next(row for row in rows if row.bits == knee)
    return Knee(
        word, knee, None, chosen.bits, chosen.more_pct, chosen.more_sd_pct,
        "not sure: too few mirrors or too short an interval to tell "
        f"{TOLERATED_PCT:g} % from chance",
    )  # fmt: skip


def _why_none(rows: Sequence[SweepRow]) -> str:
    """Return whether words are too short, or the run too small to tell."""
    last = next((row for row in reversed(rows) if row.more_pct is not None), None)
    if last is None or last.more_pct is None or last.more_sd_pct is None:
        return "no such format was possible"
    if not last.cut_off and abs(last.more_pct) - SURE * last.more_sd_pct <= TOLERATED_PCT:
        return (
            f"cannot tell: even {last.bits} bits differ by {last.more_pct:+.2f} ± "
            f"{last.more_sd_pct:.2f} %, which is chance as far as known; take more mirrors or a "
            "longer interval"
        )
    return f"no word that was tried stays within {TOLERATED_PCT:g} %"


def _fewest(rows: Sequence[SweepRow], errors: float) -> int | None:
    """Return the fewest bits from which on all words are within what is tolerated."""
    found = None
    for row in reversed(rows):
        if row.more_pct is None or row.more_sd_pct is None:
            break
        if abs(row.more_pct) + errors * row.more_sd_pct > TOLERATED_PCT or row.cut_off:
            break
        found = row.bits
    return found
