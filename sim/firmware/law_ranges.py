"""How far the numbers of a control law can go, whatever comes in."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.firmware.noise_gain import peak_gains
from sim.foundations.ports import Array
from sim.foundations.ports.linear_law import LawMatrices, LinearLaw

COASTING = 2.0
"""Room for states that go on by themselves while their spot is lost, over those of a seen one."""


class Ranges(NamedTuple):
    """How far the numbers of a law can go. [px]"""

    position: float
    """Positions and references, either way."""
    correction: float
    """The correction that the drive can carry out, either way."""
    states: tuple[float, ...]
    """Each state, either way; `sim.firmware.state_bounds` proves what its word holds."""
    filters: float
    """What comes out of the filter sections, and their memories."""


def ranges_of(law: LinearLaw, *, position_px: float, correction_px: float) -> Ranges:
    """Work out how far each number of a law can go.

    Parameters
    ----------
    law : LinearLaw
        The law.
    position_px, correction_px : float
        Largest position and correction. [px]

    Returns
    -------
    Ranges

    Notes
    -----
    Sections: the largest output is the sum of the magnitudes of the impulse response times the
    largest input. States that conditional integration keeps within the limits stay within twice
    the correction (limits move with the path); the last mismatch is a mismatch. The others obey
    x' = A x + inputs, all of them bounded. With |A| and |inputs| element by element the bound
    r = |A| r + inputs holds in whatever order readings come and go, if |A| shrinks. If it does not,
    but states go on alike whether their spot is seen or lost (an internal model that corrections
    drive), the sum of |A^k| times the inputs holds in any order too. Else `COASTING` times the
    bound of a spot that is always seen is taken. Words are laid out by these numbers; whether they
    hold is worked out for the words themselves.
    """
    correction = 2.0 * correction_px
    mismatch = filters = 2.0 * position_px
    for section in law.sections:
        output, first, second = _section_gains(section)
        filters = max(filters, mismatch * max(output, first, second))
        mismatch *= output
        filters = max(filters, mismatch)
    fixed = law.conditional | law.previous
    given = np.where(law.conditional, correction, mismatch)
    free = np.flatnonzero(~fixed)
    size = np.where(fixed, given, 0.0)
    if free.size:
        size[free] = _free_bound(law, free, fixed, given, mismatch, correction)
    return Ranges(position_px, correction, tuple(map(float, size)), float(filters))


def _free_bound(
    law: LinearLaw, free: NDArray[np.intp], fixed: NDArray[np.bool_], given: Array,
    mismatch: float, correction: float,
) -> Array:  # fmt: skip
    worst_a = np.zeros((free.size, free.size))
    alike = np.array_equal(_inner(law.seen, free), _inner(law.lost, free))
    worst_in = np.zeros(free.size)
    steady = np.zeros(free.size)
    for part, seen in ((law.seen, True), (law.lost, False)):
        lead = np.broadcast_shapes(*(m.shape[:2] for m in part))
        a = np.broadcast_to(part.A, (*lead, *part.A.shape[-2:]))[..., free, :]
        drive = np.abs(part.G[..., free]) * correction
        drive = drive + np.abs(a[..., fixed]) @ given[fixed]
        if seen:
            drive = drive + np.abs(part.B[..., free]) * mismatch
        inner = a[..., free]
        if not drive.any() and (inner == np.eye(free.size)).all():
            continue  # what stands still goes nowhere
        worst_a = np.maximum(worst_a, np.abs(inner).max(axis=(0, 1)))
        worst_in = np.maximum(worst_in, drive.max(axis=(0, 1)))
        if seen:
            for own in inner.reshape(-1, free.size, free.size):
                steady = np.maximum(steady, _steady_bound(own, worst_in))
    if np.abs(np.linalg.eigvals(worst_a)).max() < 1 - 1e-9:
        return np.linalg.solve(np.eye(free.size) - worst_a, worst_in).astype(np.float64)
    if alike:
        each = _inner(law.seen, free).reshape(-1, free.size, free.size)
        return np.asarray(np.max([_steady_bound(own, worst_in) for own in each], axis=0))
    return COASTING * steady


def _inner(part: LawMatrices, free: NDArray[np.intp]) -> Array:
    """Return how free states go on by themselves, (..., f, f)."""
    found: Array = part.A[..., free[:, None], free]
    return found


def _steady_bound(a: Array, inputs: Array) -> Array:
    """Sum over k of |A^k| times the inputs; not finite for a law that is not stable by itself."""
    radius = np.abs(np.linalg.eigvals(a)).max()
    if radius >= 1 - 1e-6:
        return np.full(len(a), np.inf)
    total, power = np.zeros(len(a)), np.eye(len(a))
    for _ in range(int(40 / (1 - radius)) + 64):
        total += np.abs(power) @ inputs
        power = power @ a
    return total


def _section_gains(section: Array) -> tuple[float, float, float]:
    gains = [
        peak_gains((b0, b1, b2), a1, a2) for b0, b1, b2, a1, a2 in section.reshape(-1, 5).tolist()
    ]
    return max(g[0] for g in gains), max(g[1] for g in gains), max(g[2] for g in gains)
