"""Inputs that take a state of a law in words as far as they can, and the law played with them.

The worst input is known backwards: whatever comes in has the sign with which it reaches the state.
Which frames are lost is searched for, the most promising orders first.
"""

from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.firmware.fixed_law import FixedLaw, FixedState, fixed_hand_over, fixed_step
from sim.firmware.rounding import Whole
from sim.firmware.state_bounds import LargestInputs, StateBounds
from sim.firmware.ties import law_of_rows
from sim.foundations.ports import Array

MOST_FRAMES: Final = 1500
KEPT: Final = 48
"""Orders of seen and lost frames that are followed at once."""
BEYOND: Final = 1.1
"""Of the word's end: an input that leads there leaves it in words too."""
WIDER: Final = 20
"""Bits by which a state is longer while it is watched where it goes."""
KEY: Final = float(np.pi)
"""Makes one number of two."""
PERIOD: Final = 12
"""Frames of the longest order that is repeated."""
GROWING: Final = 1 + 1e-5
"""Growth a frame from which an order is taken to make states grow."""
MOST_REPEATED: Final = 20_000
NEGLIGIBLE: Final = 1e-3
"""What earlier frames could still add, against what was gathered."""


class WorstInputs(NamedTuple):
    """Frames that take a state far, N of them, from rest; of one mirror and axis."""

    state: int
    row_set: int
    """Set of coefficients."""
    axis: int
    seen: NDArray[np.bool_]
    """(N,)"""
    mismatch: Whole
    """(N,) words; 0 where lost."""
    limit: Whole
    """(N,) the word that both limits have, so that the correction is this."""
    reached: int
    """Largest magnitude of the state in the law in words, its own word not cutting it off."""
    leaves: bool
    """Whether that is beyond its word: the last frame is the one in which it leaves it."""
    period: str = ""
    """Seen (1) and lost (0) frames that are repeated, since that order makes states grow without a
    bound; empty if there is no such order."""


class _Ways(NamedTuple):
    """x[k] = A x[k-1] + B e[k] + G u[k-1], over memories of sections and states, in words."""

    A: Array
    B: Array
    G: Array


def worst_inputs(
    law: FixedLaw, inputs: LargestInputs, bounds: StateBounds, state: int, *, row_set: int = 0,
    axis: int = 0,
) -> WorstInputs:  # fmt: skip
    """Look for the inputs that take a state farthest, and play them.

    Parameters
    ----------
    law : FixedLaw
        The law.
    inputs : LargestInputs
        What comes in at the most, see `largest_inputs`.
    bounds : StateBounds
        Of a spot that is always seen: what is ahead of a search is judged by them.
    state, row_set, axis : int
        Which state, of which set of coefficients, along x (0) or y (1).

    Notes
    -----
    Backwards from the state: c starts as its unit vector and becomes c A of the frame before, which
    adds |c B| times the mismatch and |c G| times the correction. Of all orders of seen and lost
    frames the `KEPT` best are followed, by what they have gathered and what they may still gather.
    Where no bound is known, orders of up to `PERIOD` frames are tried first that make states grow
    when they are repeated. One way to go on has one order, and the result is the true worst case.
    """
    ways = [_linear(law, which, row_set, axis) for which in (0, 1)]
    s = len(law.sections)
    correction = float(np.floor(inputs.correction))
    mismatch = int(inputs.mismatch)
    scale = np.append(np.full(2 * s, inputs.value), bounds.seen)
    end = float(law.formats.states[state].highest)
    start = np.zeros(len(ways[0].A))
    start[2 * s + state] = 1.0
    reach = _Reach(tuple(ways), float(mismatch), correction, scale, BEYOND * end)
    order, period = None, None
    if not np.isfinite(bounds.any_order[state]):
        period = growing_order([way.A for way in ways])
        order = None if period is None else _repeated(reach, start, period)
    if order is None:
        order, period = _searched(reach, start), None
    case = _signed(law, ways, order, state, row_set, axis, mismatch, correction)
    if period is not None:
        case = case._replace(period="".join("1" if which == 0 else "0" for which in period[::-1]))
    return _played(law, case)


class _Reach(NamedTuple):
    """What a search backwards needs."""

    ways: tuple[_Ways, ...]
    mismatch: float
    correction: float
    scale: Array
    """(n,) about how large each memory and state is."""
    enough: float
    """Where it ends."""

    def before(self, c: Array, which: int) -> tuple[Array, Array]:
        """Return what one frame adds to (K, n) rows, and what they become before it."""
        way = self.ways[which]
        more = np.abs(c @ way.G) * self.correction
        if which == 0:
            more = more + np.abs(c @ way.B) * self.mismatch
        return more, c @ way.A


def _searched(reach: _Reach, start: Array) -> NDArray[np.int8]:
    """Return the order of frames, backwards, that gathers most."""
    c, gathered, order = start[None], np.zeros(1), np.zeros((1, 0), np.int8)
    largest: tuple[float, NDArray[np.int8]] = (0.0, order[0])
    for _ in range(MOST_FRAMES):
        parts = [reach.before(c, which) for which in (0, 1)]
        gathered = np.concatenate([gathered + more for more, _ in parts])
        c = np.concatenate([rows for _, rows in parts])
        which = np.repeat(np.arange(2, dtype=np.int8), len(order))
        order = np.column_stack([np.tile(order, (2, 1)), which])
        ahead = np.abs(c) @ reach.scale
        # Two orders that lead to the same place are one.
        _, first = np.unique((gathered + KEY * ahead).round(6), return_index=True)
        best = first[np.argsort(-(gathered + ahead)[first], kind="stable")[:KEPT]]
        c, gathered, order, ahead = c[best], gathered[best], order[best], ahead[best]
        top = int(np.argmax(gathered))
        if gathered[top] > largest[0]:
            largest = float(gathered[top]), order[top]
        if largest[0] > reach.enough or (ahead <= NEGLIGIBLE * gathered).all():
            break
    return largest[1]


def growing_order(matrices: Sequence[Array], frames: int = PERIOD) -> NDArray[np.int8] | None:
    """Return a short order of ways that, repeated, makes states grow; None if there is none.

    Parameters
    ----------
    matrices : sequence of (n, n) ndarray
        How states go on, each way.
    frames : int
        Longest order; all of that length and shorter ones are tried.

    Returns
    -------
    (N,) ndarray of int8 or None
        Of the largest growth per frame, backwards: the last frame first.
    """
    product = np.eye(len(matrices[0]))[None]
    words = np.zeros((1, 0), np.int8)
    found: tuple[float, NDArray[np.int8]] | None = None
    for length in range(1, frames + 1):
        product = np.concatenate([product @ matrix for matrix in matrices])
        which = np.repeat(np.arange(len(matrices), dtype=np.int8), len(words))
        words = np.column_stack([np.tile(words, (len(matrices), 1)), which])
        radius = np.abs(np.linalg.eigvals(product)).max(axis=-1)
        top = int(np.argmax(radius))
        growth = float(radius[top] ** (1 / length))
        if growth > GROWING and (found is None or growth > found[0] * (1 + 1e-9)):
            found = growth, words[top]
    return None if found is None else found[1]


def _repeated(reach: _Reach, start: Array, period: NDArray[np.int8]) -> NDArray[np.int8] | None:
    """Return an order repeated until it takes the state beyond its word; None if it never does."""
    c, gathered = start[None], np.zeros(1)
    for frame in range(MOST_REPEATED):
        more, c = reach.before(c, int(period[frame % len(period)]))
        gathered = gathered + more
        if gathered[0] > reach.enough:
            return np.resize(period, frame + 1)
    return None


def _linear(law: FixedLaw, which: int, row_set: int, axis: int) -> _Ways:
    """Return how memories and states go on while a spot is seen (0) or lost (1)."""
    f, s, n = law.formats, len(law.sections), len(law.conditional)
    width = 2 * s + n
    unit = np.eye(width + 2)
    after = np.zeros((width, width + 2))
    value = unit[width] * 2.0 ** (f.value.fraction - f.position.fraction)
    scale = 2.0**-law.section_shift
    for i, section in enumerate(law.sections):
        b0, b1, b2, a1, a2 = section[min(row_set, len(section) - 1), axis] * scale
        if which == 1:
            after[2 * i], after[2 * i + 1] = unit[2 * i], unit[2 * i + 1]
            continue
        # Memories in units of the output word, which is `section_shift` bits shorter.
        out = b0 * value + unit[2 * i]
        after[2 * i] = b1 * value - a1 * out + unit[2 * i + 1]
        after[2 * i + 1] = b2 * value - a2 * out
        value = out
    rows = law.rows[which, row_set, axis, :-1]
    real = np.ldexp(rows.astype(float), -law.shifts[which][:-1, None])
    if which == 0:
        after[2 * s :] += real[:, :1] * value
    after[2 * s :, 2 * s : width] += real[:, 1:-1]
    after[2 * s :, width + 1] += real[:, -1]
    return _Ways(after[:, :width], after[:, width], after[:, width + 1])


def _signed(
    law: FixedLaw, ways: list[_Ways], order: NDArray[np.int8], state: int, row_set: int, axis: int,
    mismatch: int, correction: float,
) -> WorstInputs:  # fmt: skip
    """Return the inputs that an order, backwards, asks for."""
    c = np.zeros(len(ways[0].A))
    c[2 * len(law.sections) + state] = 1.0
    frames = len(order)
    e, u = np.zeros(frames + 1, np.int64), np.zeros(frames + 1, np.int64)
    for back, which in enumerate(order):
        k = frames - back  # a frame in front sets the correction of the one before the first
        way = ways[which]
        if which == 0:
            e[k] = mismatch * (1 if c @ way.B >= 0 else -1)
        u[k - 1] = int(correction) * (1 if c @ way.G >= 0 else -1)
        c = c @ way.A
    u[frames] = u[frames - 1]
    seen = np.append(True, order[::-1] == 0)
    return WorstInputs(state, row_set, axis, seen, e, u, 0, False)


def _played(law: FixedLaw, case: WorstInputs) -> WorstInputs:
    """Play inputs in words from rest; frames after the state has left its word are dropped."""
    form = law.formats.states[case.state]
    wider = form._replace(bits=form.bits + WIDER)
    forms = [wider if i == case.state else f for i, f in enumerate(law.formats.states)]
    longer = law._replace(formats=law.formats._replace(states=tuple(forms)))
    reached, frames = 0, 0
    for state in states_reached(longer, case):
        word = int(state.states[0, case.axis, case.state])
        reached, frames = max(reached, abs(word)), frames + 1
        if not form.lowest <= word <= form.highest:
            return case._replace(
                seen=case.seen[:frames], mismatch=case.mismatch[:frames],
                limit=case.limit[:frames], reached=reached, leaves=True,
            )  # fmt: skip
    return case._replace(reached=reached)


def states_reached(law: FixedLaw, case: WorstInputs) -> list[FixedState]:
    """Return the states of a law in words after each frame of a worst case, from rest."""
    own = law_of_rows(law, np.array([case.row_set]))
    state = fixed_hand_over(own, np.zeros((1, 2), np.int64))
    found = []
    for seen, mismatch, limit in zip(case.seen, case.mismatch, case.limit, strict=True):
        edge = np.full((1, 2), limit)
        given = np.full((1, 2), mismatch)
        state = fixed_step(own, state, given, np.full((1, 2), seen), edge, edge)
        found.append(state)
    return found
