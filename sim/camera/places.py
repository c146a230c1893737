"""Places spread evenly over a square, for whatever has to be tried everywhere."""

import numpy as np

from sim.foundations.ports import Array

PLASTIC = 1.32471795724474602596
"""Real root of x^3 = x + 1."""


def spread(n: int, reach_px: float, first: int = 0) -> Array:
    """Return n points (n, 2) spread evenly over a square of plus and minus `reach_px`. [px]

    The additive recurrence with the powers of 1 / `PLASTIC`, which fills the plane evenly for
    every n (common practice). `first` continues an earlier sequence.
    """
    steps = np.array([1 / PLASTIC, 1 / PLASTIC**2])
    count = first + np.arange(1, n + 1)[:, None]
    return np.asarray(reach_px * (2 * ((0.5 + count * steps) % 1.0) - 1))
