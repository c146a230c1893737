"""What golden vectors reach, by how many rows, and what they do not."""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.firmware.controller import FixedInput
from sim.firmware.corners import RoundingCorner, smallest_change
from sim.firmware.fixed_law import FixedLaw, FixedState
from sim.firmware.inner_corners import NOTHING, InnerCorner, shares_of, sides_of_shares
from sim.firmware.rounding import Whole
from sim.firmware.spots.noting import NotedRounding
from sim.firmware.ties import law_of_rows, roundings
from sim.foundations.files.text import counted
from sim.foundations.ports import SpotStatus
from sim.studies.firmware.law_steps import WORST_FRAMES
from sim.studies.formats.examples import StateExample


class Covered(NamedTuple):
    """A line of the coverage table."""

    what: str
    rows: int
    """Rows of the vectors that reach it."""
    note: str
    """How, or why not."""


def spot_lines(status: np.ndarray, pixels: np.ndarray, most_dn: int, where: str) -> list[Covered]:
    """Return the lines of windows: each status, and pixels that hold no more light."""
    lines = [
        Covered(f"{where}: status {known.name}", int((status == known).sum()), "")
        for known in (SpotStatus.OK, SpotStatus.DIM, SpotStatus.EDGE, SpotStatus.FAILED)
    ]
    wrong = int((status == SpotStatus.WRONG_SPOT).sum())
    if wrong:
        lines.append(Covered(f"{where}: status WRONG_SPOT", wrong, "doubted by the guard"))
    saturated = (pixels >= most_dn).any(axis=(1, 2))
    note = f"full well or full scale, {most_dn} DN"
    return [*lines, Covered(f"{where}: a pixel saturated", int(saturated.sum()), note)]


def inner_lines(
    corners: Sequence[InnerCorner], notes: Sequence[NotedRounding], ok: NDArray[np.bool_]
) -> list[Covered]:
    """Return the lines of roundings inside an estimator.

    Parameters
    ----------
    corners : sequence of InnerCorner
        What was searched for.
    notes : sequence of NotedRounding
        Of all windows of the vectors.
    ok : (M,) ndarray of bool
        Windows whose reading is used.
    """
    shares = shares_of(list(notes))
    lines = []
    for corner in corners:
        off = sides_of_shares(shares[corner.place], ok)[corner.side]
        nearest = float(off.min())
        rows = int((off == nearest).sum()) if np.isfinite(nearest) else 0
        side = "on a tie" if corner.side == 0 else "below" if corner.side < 0 else "above"
        words = f"inside, {corner.place}: {side}"
        idle = bool((shares[corner.place][ok] == NOTHING).all())
        lines.append(Covered(words, rows, _how_near(corner, nearest, idle=idle)))
    return lines


def _how_near(corner: InnerCorner, nearest: float, *, idle: bool) -> str:
    """Return how near windows come to a corner, or why none is there."""
    if np.isfinite(nearest):
        if corner.side == 0:
            other = "another" if corner.telling else "the same"
            return f"the other way it gives {other} reading"
        return f"nearest {nearest:.2g} of a unit from a tie"
    if corner.places is not None and not np.isfinite(corner.nearest):
        return f"none exists: all {corner.places} places of a spot were gone through"
    if idle:
        return f"nothing was left over to be rounded in {counted(corner.tries, 'window')}"
    return f"none met in {counted(corner.tries, 'window')}"


def law_lines(
    before: FixedState, given: FixedInput, after: FixedState, reset: np.ndarray, where: str
) -> list[Covered]:
    """Return the lines of steps of the law; counts are of rows in which an axis does it."""
    lost = ~given.seen[:, 0]
    limited = ((after.correction == given.lowest) | (after.correction == given.highest)).any(axis=1)
    cut = (after.saturated > before.saturated).any(axis=1)
    found = given.seen[:, 0] & ~before.known[:, 0] & ~reset
    return [
        Covered(f"{where}: spot lost", int(lost.sum()), ""),
        Covered(f"{where}: spot found again", int(found.sum()), "the step after a lost one"),
        Covered(f"{where}: correction at a limit", int(limited.sum()), ""),
        Covered(f"{where}: a word cut off", int(cut.sum()), ""),
    ]


def worst_lines(examples: Sequence[StateExample]) -> list[Covered]:
    """Return the lines of inputs that take the states of a law as far as was found."""
    return [
        Covered(
            f"law: state {each.found.state}, {'xy'[each.found.axis]}: worst input that was found",
            min(WORST_FRAMES, len(each.found.seen) - 1),
            "leaves its word, which cuts it off" if each.found.leaves
            else f"reaches {100 * each.share:.3g} % of its word",
        )
        for each in examples
    ]  # fmt: skip


def corner_lines(
    law: FixedLaw, corners: list[RoundingCorner], parts: list[tuple[Whole, FixedState, FixedInput]]
) -> list[Covered]:
    """Return the lines of rounding corners, counted over all steps of the vectors.

    Parameters
    ----------
    law : FixedLaw
        Of the fleet.
    corners : list of RoundingCorner
        What was looked for.
    parts : list of (mirrors, before, given)
        The steps.
    """
    rounded = []
    for mirrors, before, given in parts:
        mismatch = np.where(given.seen, given.reference - given.position, 0)
        own = law_of_rows(law, np.asarray(mirrors))
        rounded.append(roundings(own, before, mismatch, given.seen))
    lines = []
    never = dict.fromkeys(corner.site.words for corner in corners if corner.found is None)
    if never:
        note = f"coefficients bridge the shift without a rest: {'; '.join(never)}"
        lines.append(Covered("law: rows that never round", 0, note))
    for corner in corners:
        side = "on a tie" if corner.wanted == 0 else "below" if corner.wanted < 0 else "above"
        words = f"{corner.site.words}: {side}"
        if corner.found is None:
            continue
        count = sum(
            int((each[corner.site].taken & (each[corner.site].from_tie == corner.wanted)).sum())
            for each in rounded
        )
        unit = smallest_change(law, corner.site)
        note = f"{corner.wanted:+d} of 2^{rounded[0][corner.site].shift}"
        if unit > 1 and corner.wanted:
            note += f", the least step of its coefficients being {unit}"
        if count == 0:
            note = f"not reached; nearest {corner.found - corner.wanted:+d} away"
        lines.append(Covered(words, count, note))
    return lines
