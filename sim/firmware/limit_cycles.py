"""Zero-input limit cycles of first- and second-order recursions in whole numbers, found by scan.

A rounded recursion has finitely many states within reach, so it ends in a cycle from every start.
All cycles that a grid of starts leads to are found, none is guessed.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.firmware.rounding import Rounding, Whole, divided

MOST_STATES = 20_000_000
"""A scan that meets more is given up: the recursion grows, or the grid is too large."""

STEPS = 64
"""Taken in one go before it is seen whether they led anywhere new."""


class LimitCycles(NamedTuple):
    """Where the outputs of a recursion without input stay."""

    lowest: int
    """Of all outputs on cycles. [units of the word]"""
    highest: int
    states: int
    """On cycles, the one at rest included."""
    rests_only: bool
    """Whether every start ends at zero."""

    @property
    def peak(self) -> int:
        """Largest magnitude of an output on a cycle. [units of the word]"""
        return max(-self.lowest, self.highest)


def limit_cycles(
    a1: int, a2: int, denominator: int, rounding: Rounding, *, start: int,
    roundings: int = 1,
) -> LimitCycles:  # fmt: skip
    """Find the cycles of y[n] = Q(-(a1 y[n-1] + a2 y[n-2]) / denominator).

    Parameters
    ----------
    a1, a2 : int
        Coefficients, times the denominator; `a2` of 0 is the first order.
    denominator : int
        Above zero; a power of 2 in firmware.
    rounding : Rounding
        Of a sum, or of each product.
    start : int
        Starts with both memories from -start to start are tried, all of them.
    roundings : int
        1: the exact sum is rounded; 2: each product by itself.

    Returns
    -------
    LimitCycles

    Raises
    ------
    ValueError
        If more than `MOST_STATES` states are met: the recursion is unstable.

    Notes
    -----
    The set of the n states that the starts lead to is closed under the step. After n steps or more
    from each of them, the states that are left lie on cycles; doubling gives that many in log2 n
    goes.
    """

    def stepped(states: Whole) -> Whole:
        y1, y2 = states
        if roundings == 1:
            new = divided(-(a1 * y1 + a2 * y2), denominator, rounding)
        else:
            new = divided(-a1 * y1, denominator, rounding) + divided(
                -a2 * y2, denominator, rounding
            )
        return np.stack([new, y1 if a2 else np.zeros_like(y1)])

    span = np.arange(-start, start + 1, dtype=np.int64)
    front = _keys(np.stack([each.ravel() for each in np.meshgrid(span, span if a2 else [0])]))
    met, known = np.unique(front), 0
    while met.size > known:
        known, fronts = met.size, [met]
        for _ in range(STEPS):
            front = np.unique(_keys(stepped(_states(front))))
            fronts.append(front)
        met = np.unique(np.concatenate(fronts))
        if met.size > MOST_STATES:
            raise ValueError(f"recursion: unstable, since more than {MOST_STATES} states are met")
    after = np.searchsorted(met, _keys(stepped(_states(met))))
    for _ in range(int(met.size).bit_length()):
        after = after[after]
    met = met[np.unique(after)]
    outputs = _states(met)[0]
    return LimitCycles(int(outputs.min()), int(outputs.max()), int(met.size), not outputs.any())


_SHIFT = np.int64(1 << 31)


def _keys(states: Whole) -> NDArray[np.int64]:
    """One number for each state, whose members are less than 2^30."""
    if np.abs(states).max(initial=0) >= 1 << 30:
        raise ValueError("recursion: it grows beyond 2^30, so it is unstable")
    return states[0] * _SHIFT + states[1]


def _states(keys: NDArray[np.int64]) -> Whole:
    y1 = (keys + _SHIFT // 2) // _SHIFT
    return np.stack([y1, keys - y1 * _SHIFT])
