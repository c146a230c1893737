"""Steps that a run may never take: lost and found, limits, resets, words cut off, corners."""

from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.firmware.controller import FixedInput
from sim.firmware.corners import LawSteps, RoundingCorner, corners_of
from sim.firmware.fixed_law import FixedLaw, FixedState, fixed_hand_over, fixed_step
from sim.firmware.rounding import Whole
from sim.firmware.ties import law_of_rows
from sim.firmware.worst_inputs import WorstInputs, states_reached
from sim.foundations.rng import philox

FRAMES: Final = 96
WORST_FRAMES: Final = 32
"""Last frames of the inputs that take a state farthest."""
MOST_MIRRORS: Final = 4
KEY: Final = (2026, 1129)


class LawRows(NamedTuple):
    """Steps of the law by themselves; N rows."""

    mirror: NDArray[np.int64]
    """(N,) column of the fleet."""
    reset: NDArray[np.bool_]
    """(N,) whether the law takes over from `standing` before the step."""
    standing: Whole
    """(N, 2) correction."""
    before: FixedState
    """What stands before the step; of no meaning where `reset`."""
    given: FixedInput
    after: FixedState


def law_rows(
    law: FixedLaw, mirrors: int, worst: Sequence[WorstInputs] = ()
) -> tuple[LawRows, list[RoundingCorner]]:
    """Return steps of a law for a fleet, and what was found of its rounding corners.

    The last frames of each of the worst inputs of its states are among the steps.
    """
    chosen = np.unique(np.linspace(0, mirrors - 1, MOST_MIRRORS).round().astype(np.int64))
    parts = [_sequence(law, mirror, number) for number, mirror in enumerate(chosen.tolist())]
    corners = corners_of(law_of_rows(law, np.zeros(1, np.int64)))
    parts += [
        _by_itself(law, corner.step) for corner in corners if corner.step is not None
    ]
    parts.append(_by_itself(law, _ends(law)))
    parts += [_by_itself(law, _worst(law, case)) for case in worst]
    return _joined(parts), corners


def _joined(parts: list[LawRows]) -> LawRows:
    flat = [[*p[:3], *p.before, *p.given, *p.after] for p in parts]
    arrays = [np.concatenate(each) for each in zip(*flat, strict=True)]
    states, inputs = len(FixedState._fields), len(FixedInput._fields)
    return LawRows(
        arrays[0], arrays[1], arrays[2],
        FixedState(*arrays[3 : 3 + states]),
        FixedInput(*arrays[3 + states : 3 + states + inputs]),
        FixedState(*arrays[3 + states + inputs :]),
    )  # fmt: skip


def _by_itself(law: FixedLaw, steps: LawSteps) -> LawRows:
    own = law_of_rows(law, np.zeros(1, np.int64))
    after = _after(own, steps.before, steps.given)
    count = len(after.correction)
    return LawRows(
        np.zeros(count, np.int64), np.zeros(count, bool), np.zeros((count, 2), np.int64),
        steps.before, steps.given, after,
    )  # fmt: skip


def _worst(law: FixedLaw, case: WorstInputs) -> LawSteps:
    """Return the last frames of a worst case, each from the state that it is played to."""
    frames = states_reached(law, case)
    last = range(max(1, len(frames) - WORST_FRAMES), len(frames))
    before = FixedState._make(
        np.concatenate(part) for part in zip(*(frames[k - 1] for k in last), strict=True)
    )
    seen = np.repeat(case.seen[last, None], 2, axis=1)
    reference = np.repeat(case.mismatch[last, None], 2, axis=1)
    edge = np.repeat(case.limit[last, None], 2, axis=1)
    return LawSteps(before, FixedInput(np.zeros_like(reference), seen, reference, edge, edge))


def _ends(law: FixedLaw) -> LawSteps:
    """Return steps whose mismatch is the last that its word holds, and the first that it does not.

    Each with full limits, and with limits that leave no correction but zero.
    """
    f = law.formats
    ends = [f.position.highest, f.position.highest + 1, f.position.lowest, f.position.lowest - 1]
    reference = np.array([[a, b] for a in ends for b in (ends[0], ends[2])] * 2)
    count = len(reference)
    start = fixed_hand_over(law_of_rows(law, np.zeros(1, np.int64)), np.zeros((count, 2), np.int64))
    edge = np.where(np.arange(count)[:, None] < count // 2, f.correction.highest, 0)
    edge = np.broadcast_to(edge, (count, 2))
    seen = np.ones((count, 2), bool)
    return LawSteps(start, FixedInput(np.zeros((count, 2), np.int64), seen, reference, -edge, edge))


def _after(law: FixedLaw, before: FixedState, given: FixedInput) -> FixedState:
    mismatch = np.where(given.seen, given.reference - given.position, 0)
    return fixed_step(law, before, mismatch, given.seen, given.lowest, given.highest)


def _sequence(law: FixedLaw, mirror: int, number: int) -> LawRows:
    """Frames one after the other: wander, steps into both limits, lost spots, resets, cut words.

    The spot is lost and found three times, once for six frames; limits move in from half range;
    every 32 frames the law takes over from another correction.
    """
    f = law.formats
    own = law_of_rows(law, np.array([mirror]))
    counter = np.zeros((FRAMES * 4, 4), np.int64)
    counter[:, 0], counter[:, 1] = np.arange(FRAMES * 4), number
    drawn = philox(counter, KEY)[:, 0].astype(np.int64).reshape(FRAMES, 2, 2)
    small = (drawn & 0xFFF) - 0x800
    largest = f.position.highest // 4
    # A sixteenth of the largest mismatch: a correction goes there within some frames.
    near = int(np.ldexp(f.position.highest, f.correction.fraction - f.position.fraction - 4))
    state = fixed_hand_over(own, np.zeros((1, 2), np.int64))
    rows = []
    for k in range(FRAMES):
        reset = k % 32 == 0
        standing = np.zeros((1, 2), np.int64)
        if reset:
            standing[0] = f.correction.highest // 8 * np.array([k // 32, -k // 32])
            state = fixed_hand_over(own, standing)
        push = largest * (0 if k < 8 else 1 if k % 32 < 16 else -1)
        if k in (61, 62):
            push *= 4  # the mismatch itself is beyond its word
        reference = np.array([[push, -push]]) + f.position.saturated(small[k : k + 1, :, 0])
        position = -reference // 3 + small[k : k + 1, :, 1]
        lost = k in (10, 11, 40, 70, 71, 72, 73, 74, 75)
        seen = np.full((1, 2), not lost)
        edge = np.full((1, 2), f.correction.highest // 2 if k < 48 else near)
        given = FixedInput(np.where(seen, position, 0), seen, reference, -edge, edge)
        after = _after(own, state, given)
        rows.append(
            LawRows(np.array([mirror]), np.array([reset]), standing, state, given, after)
        )
        state = after
    return _joined(rows)
