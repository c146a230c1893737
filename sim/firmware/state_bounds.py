"""How far the states of a law in words can go, proven for any input and any order of lost frames.

Any input up to the largest that comes in: a mismatch from one end of the drive to the other. In
units of the words, with the rounding of each row, by arithmetic that is rounded outward.
"""

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.firmware.fixed_law import FixedLaw
from sim.firmware.noise_gain import peak_gains
from sim.firmware.rounding_noise import largest_units
from sim.foundations.ports import Array

ANY_ORDER: Final = (8, 12)
"""Frames that are looked over at once, each seen or lost: 2^12 orders at the most."""
ONE_ORDER: Final = (64, 512, 4096, 32768)
"""The same where there is one way to go on."""
ROUNDS: Final = 4000
LARGEST: Final = 2.0**60
SLACK: Final = 1e-4
"""Share of the inputs that is added where there need be none: it gives room to verify."""
ROOM: Final = 1e-6
"""A bound is widened by this share before it is verified."""
UP: Final = 1.0 + 1e-9
"""Covers the rounding of sums of positive numbers."""


class LargestInputs(NamedTuple):
    """The largest of what comes in, either way, in words."""

    mismatch: float
    value: float
    """Mismatch behind the sections."""
    correction: float
    """The last one granted."""


class StateBounds(NamedTuple):
    """The largest magnitude of each state (n,); infinite where no bound was found. [units]"""

    any_order: Array
    """Seen and lost frames in whatever order."""
    seen: Array
    """A spot that is seen in each frame."""


class Way(NamedTuple):
    """One way for f states to go on in a frame: x' = A x + inputs + rounding."""

    A: Array
    """(f, f)"""
    inputs: Array
    """(f, p) what each input adds at its largest."""
    rounding: Array
    """(f,) largest error."""


def largest_inputs(law: FixedLaw, *, mismatch_px: float, correction_px: float) -> LargestInputs:
    """Return the largest inputs of a law's rows, for a mismatch and a correction in pixels.

    Sections: the sum of the magnitudes of impulse responses, rounding of each output included; no
    more than their word holds, at which they are cut off. A mismatch beyond `mismatch_px` is not
    covered, though its word lets it through up to its own end.
    """
    f = law.formats
    word = float(min(np.ceil(np.ldexp(mismatch_px, f.position.fraction)), -f.position.lowest))
    value = np.ldexp(word, f.value.fraction - f.position.fraction)
    error = largest_units(law.rounding)
    if f.value.fraction < f.position.fraction:
        value += error
    unit = np.ldexp(1.0, -law.section_shift)
    for section in law.sections:
        sets = (section.reshape(-1, 5) * unit).tolist()
        through = max(peak_gains((b0, b1, b2), a1, a2)[0] for b0, b1, b2, a1, a2 in sets)
        own = max(peak_gains((1.0, 0.0, 0.0), a1, a2)[0] for *_, a1, a2 in sets)
        value = min(value * through * UP + error * own, float(-f.value.lowest))
    limit = np.ceil(np.ldexp(correction_px, f.correction.fraction))
    return LargestInputs(word, float(value), float(min(limit, -f.correction.lowest)))


def state_bounds(law: FixedLaw, inputs: LargestInputs) -> StateBounds:
    """Work out how far each state can go.

    Parameters
    ----------
    law : FixedLaw
        The law.
    inputs : LargestInputs
        What comes in at the most, see `largest_inputs`.

    Returns
    -------
    StateBounds

    Notes
    -----
    States that conditional integration cuts off at the limits stay within them, or within what they
    take over from a standing correction, if they are kept while their spot is lost; the last
    mismatch is a mismatch. For the others (with those that are cut off in seen frames alone) let T
    be the largest that states can be within N frames. Over the next m of them, in the order w of
    seen and lost ones, x goes to A_w x + what came in, so that T <= |A_w| T + h_w, element by
    element, with the sum h_w of the magnitudes of all that comes in times its largest. Any T* that
    is at least the start, and at least |A_w| T* + h_w for every w, is therefore a bound, for
    whatever N. T* is found by going up from the start, widened, and then verified. Products A_w are
    floating-point numbers; what they miss by is bounded, and meets states that are reachable
    themselves, so that it adds its magnitude times T. With one way to go on and long m this is the
    sum of the magnitudes of the impulse response. A start that is off what a seen spot comes to
    under the standing correction adds what becomes of that distance alone: rows are linear.
    """
    n = len(law.conditional)
    value = np.full(n, inputs.value)
    finer = np.array([s.fraction - law.formats.correction.fraction for s in law.formats.states])
    limit = np.ldexp(inputs.correction, finer.astype(int)) if n else np.zeros(0)
    taken = np.abs(np.ldexp(law.standing.astype(float), -law.standing_shifts)).max(axis=(0, 1))
    limit = np.ceil(np.maximum(limit, taken * inputs.correction))
    held = held_at_limits(law)
    given = np.where(held, limit, np.where(law.previous, value, np.inf))
    found = [given.copy(), given.copy()]
    free = np.flatnonzero(~(held | law.previous))
    for group in _groups(law, free):
        best = [np.zeros(len(group)), np.zeros(len(group))]
        for index in range(law.rows.shape[1]):
            for axis in (0, 1):
                seen, lost = (
                    _way(law, which, (index, axis), group, given, inputs) for which in (0, 1)
                )
                start, settles = _start(law, (index, axis), group, seen, inputs)
                for k, ways in enumerate((_ways(seen, lost), (seen,))):
                    room = np.array([-law.formats.states[i].lowest - 1.0 for i in group])
                    best[k] = np.maximum(best[k], _bound(ways, start, room, settles=settles))
        for k in (0, 1):
            found[k][group] = np.minimum(found[k][group], best[k])
    return StateBounds(*found)


def held_at_limits(law: FixedLaw) -> NDArray[np.bool_]:
    """Return which states (n,) are cut off at the limits, and kept while their spot is lost."""
    n = len(law.conditional)
    keeps = np.zeros((n, n + 1), np.int64)
    keeps[:, :n] = np.diag(np.int64(1) << law.shifts[1][:n])
    kept = (law.rows[1, ..., :-1, 1:] == keeps).all(axis=(0, 1, 3))
    return np.asarray(law.conditional & kept)


def _groups(law: FixedLaw, free: NDArray[np.intp]) -> list[NDArray[np.intp]]:
    """Return sets of free states that go on by themselves, the smallest first; they may overlap."""
    linked = (law.rows[..., :-1, 1:-1] != 0).any(axis=(0, 1, 2))
    groups = set()
    for i in free:
        own = np.zeros(len(linked), bool)
        own[i] = True
        for _ in free:
            own |= linked[own].any(axis=0)
        groups.add(tuple(j for j in free if own[j]))
    return [np.array(group) for group in sorted(groups, key=len)]


def _way(
    law: FixedLaw, which: int, where: tuple[int, int], group: NDArray[np.intp], given: Array,
    inputs: LargestInputs,
) -> Way:  # fmt: skip
    """Return how a group goes on while its spot is seen (0) or lost (1)."""
    index, axis = where
    rows = law.rows[which, index, axis][group]
    shift = law.shifts[which][group]
    used = rows.copy()
    if which == 1:
        used[:, 0] = 0  # a lost spot has no mismatch
    exact = ((used & ((np.int64(1) << shift) - 1)[:, None]) == 0).all(axis=1)
    real = np.ldexp(used.astype(float), -shift[:, None])
    fixed = np.isfinite(given)
    outside = real[:, 1:-1][:, fixed] * given[fixed]
    comes = np.column_stack(
        [real[:, :1] * inputs.value, real[:, -1:] * inputs.correction, outside]
    )
    error = np.where(exact, 0.0, largest_units(law.rounding))
    own = real[:, 1:-1][:, group]
    cut = law.conditional[group] & (which == 0)
    if cut.any():  # a seen spot: anything within the limits
        finer = [law.formats.states[i].fraction - law.formats.correction.fraction for i in group]
        limit = np.ceil(np.ldexp(inputs.correction, np.array(finer)))
        own[cut], comes[cut], error[cut] = 0.0, 0.0, 0.0
        comes = np.column_stack([comes, np.diag(np.where(cut, limit, 0.0))])
    return Way(own, comes, error)


def _ways(seen: Way, lost: Way) -> tuple[Way, ...]:
    """Return both, or one where what comes in is all that differs."""
    if not np.array_equal(seen.A, lost.A):
        return seen, lost
    less = ((lost.inputs == seen.inputs) | (lost.inputs == 0)).all()
    inputs = seen.inputs if less else np.hstack([seen.inputs, lost.inputs])
    return (Way(seen.A, inputs, np.maximum(seen.rounding, lost.rounding)),)


def _start(
    law: FixedLaw, where: tuple[int, int], group: NDArray[np.intp], seen: Way, inputs: LargestInputs
) -> tuple[Array, bool]:
    """Return how far from a standing correction's own rest the law can take over, and True.

    That rest is where a spot that is seen for ever would come to under that correction, so it is
    within reach already. If there is no such rest: the states that it takes over, and False.
    """
    sets = law.standing[min(where[0], len(law.standing) - 1), where[1]][group]
    given = np.ldexp(sets.astype(float), -law.standing_shifts[group]) * inputs.correction
    own = np.eye(len(group)) - seen.A
    if np.abs(np.linalg.eigvals(seen.A)).max() >= 1 - 1e-12:
        return np.abs(given) + 1.0, False
    rest = np.linalg.solve(own, seen.inputs[:, 1])
    spread = np.abs(np.linalg.inv(own)) @ (np.abs(seen.inputs[:, 1]) + np.abs(rest)) * 1e-12
    return np.asarray(np.abs(given - rest) + spread + 1.0), True


def _bound(ways: tuple[Way, ...], start: Array, room: Array, *, settles: bool) -> Array:
    """Return the smallest bound that was found; no further search where all have room for it.

    Where the law settles, `start` is a distance from states within reach: what inputs do from
    zero, and what becomes of the distance without inputs, add up.
    """
    best = np.full(len(start), np.inf)
    apart = best if settles else np.zeros(len(start))
    alone = tuple(Way(way.A, SLACK * way.inputs, SLACK * way.rounding) for way in ways)
    for frames in ANY_ORDER if len(ways) > 1 else ONE_ORDER:
        if not np.isfinite(apart).all():
            apart = np.minimum(apart, over_frames(alone, start, frames))
        from_rest = over_frames(ways, 0.0 * start if settles else start, frames)
        best = np.minimum(best, (from_rest + apart) * UP)
        if (best <= room).all():
            break
    return best


def over_frames(ways: tuple[Way, ...], start: Array, frames: int) -> Array:
    """Return a bound (f,) from looking over so many frames at once; infinite if that shows none.

    Parameters
    ----------
    ways : tuple of Way
        In each frame one of them is taken, whichever.
    start : (f,) ndarray
        Largest magnitude of states at the start. [units]
    frames : int
        There are as many products as orders of `ways` over so many frames.
    """
    n = len(start)
    none = np.full(n, np.inf)
    if not np.isfinite(np.concatenate([way.inputs.ravel() for way in ways])).all():
        return none
    product, missed, came = np.eye(n)[None], np.zeros((1, n, n)), np.zeros((1, n))
    base, worst_missed = start.copy(), np.zeros((n, n))
    for _ in range(frames):
        size = np.abs(product)
        # A row that is one unit vector passes on exactly what it meets.
        plain = (size.sum(axis=-1) == 1) & (size.max(axis=-1) == 1)
        products, misses, comes = [], [], []
        for way in ways:
            off = (way.inputs.shape[1] + n + 2) * 2.0**-52
            own = np.abs(product @ way.inputs).sum(axis=-1)
            own += size @ (way.rounding + off * np.abs(way.inputs).sum(axis=1))
            comes.append(came + own)
            products.append(product @ way.A)
            off_rows = np.where(plain[..., None], 0.0, off * (size @ np.abs(way.A)))
            misses.append(missed + off_rows)
        product, missed = np.concatenate(products), np.concatenate(misses)
        came = np.concatenate(comes)
        if not np.isfinite(product).all():
            return none
        worst_missed = np.maximum(worst_missed, missed.max(axis=0))
        base = np.maximum(base, (came + np.abs(product) @ start).max(axis=0) * UP)
    matrix = np.abs(product) + missed
    stays = (matrix == np.eye(n)).all(axis=-1) & (came == 0)
    bound = base
    for _ in range(ROUNDS):
        next_bound = np.maximum(base, (came + matrix @ bound).max(axis=0))
        if (next_bound > LARGEST).any():
            return none
        done = (next_bound <= bound * (1 + 1e-10)).all()
        bound = next_bound
        if done:
            break
    bound = bound * (1 + ROOM) * UP
    holds = stays | ((came + matrix @ bound) * UP <= bound)
    if not holds.all() or (worst_missed @ bound > 0.5 * ROOM * bound).any():
        return none
    return np.asarray(bound)

