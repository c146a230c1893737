"""Whether the integral of a law leaks once its coefficients are words."""

import numpy as np

from sim.foundations.ports import Array
from sim.foundations.ports.linear_law import LinearLaw

AT_ONE = 1e-6
"""A pole of the exact law that is as near to 1 is an integral."""
KEPT = 1e-9
"""A law in words whose pole is as near to 1 has kept it."""


def left_by_leak(exact: LinearLaw, rounded: LinearLaw) -> float:
    """Return the share of a constant disturbance that rounded coefficients leave uncorrected. [-]

    Parameters
    ----------
    exact : LinearLaw
        The law.
    rounded : LinearLaw
        What its words stand for.

    Returns
    -------
    float
        The largest over mirrors and axes; 0 if the law has no integral, or kept it.

    Notes
    -----
    An integral is a pole of the law at 1. Where it is one coefficient, words keep it exactly; where
    it comes about as a sum of several (the internal model of a Smith predictor, an observer),
    each is rounded by itself and the sum is missed. The law's gain at zero frequency, g, is then
    finite, and a loop about a plant of gain 1 leaves 1 / (1 + g).
    """
    before, _ = _alone(exact)
    after, into = _alone(rounded)
    size = after.shape[-1]
    shape = np.broadcast_shapes(before.shape, after.shape)
    held = np.abs(np.linalg.eigvals(np.broadcast_to(before, shape)) - 1).min(axis=-1) < AT_ONE
    missed = np.abs(np.linalg.eigvals(np.broadcast_to(after, shape)) - 1).min(axis=-1) > KEPT
    if not (held & missed).any():
        return 0.0
    rest = np.eye(size) - np.broadcast_to(after, shape)
    gain = np.linalg.solve(
        np.where((held & missed)[..., None, None], rest, np.eye(size)),
        np.broadcast_to(into, shape[:-1])[..., None],
    )[..., -1, 0]
    return float(np.abs(1.0 / (1.0 + gain[held & missed])).max())


def _alone(law: LinearLaw) -> tuple[Array, Array]:
    """Return how states and correction go on by themselves (..., n + 1, n + 1), and what comes in.

    [x, u] of the next frame from [x, u] of this one and the mismatch behind the sections, for a
    spot that is seen, away from limits.
    """
    m = law.seen
    n = m.B.shape[-1]
    lead = np.broadcast_shapes(*(part.shape[:2] for part in m))
    a, b, g, c, d, h = (np.broadcast_to(part, (*lead, *part.shape[2:])) for part in m)
    found = np.empty((*lead, n + 1, n + 1))
    found[..., :n, :n], found[..., :n, n] = a, g
    found[..., n, :n] = (c[..., None, :] @ a)[..., 0, :]
    found[..., n, n] = (c * g).sum(axis=-1) + h
    into = np.concatenate([b, ((c * b).sum(axis=-1) + d)[..., None]], axis=-1)
    return found, into
