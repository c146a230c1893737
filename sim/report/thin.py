"""Long histories made short enough to draw, without losing a peak."""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

MOST_POINTS = 2000


def bin_starts(n: int, most: int = MOST_POINTS) -> NDArray[np.int64]:
    """Return the first row of each bin that cuts `n` rows into at most `most` even bins."""
    size = max(1, -(-n // most))
    return np.arange(0, n, size)


def thin(values: NDArray, starts: NDArray[np.int64], keep: Callable[..., NDArray]) -> NDArray:
    """Return one row for each bin of (T, ...) values; `keep` is a ufunc's `reduceat`."""
    return values if len(starts) == len(values) else keep(values, starts, axis=0)


def thin_signed(values: NDArray, starts: NDArray[np.int64]) -> NDArray:
    """Return the value of largest magnitude in each bin, with its sign."""
    high = thin(values, starts, np.maximum.reduceat)
    low = thin(values, starts, np.minimum.reduceat)
    return np.where(high >= -low, high, low)
