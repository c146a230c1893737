"""What shapes a commanded jump into a path."""

from typing import Any, Protocol

import numpy as np

from sim.foundations.ports.array import Array


class Shaper(Protocol):
    """Turns a commanded jump into a path for the feed-forward, sampled at the drive's ticks."""

    def path(self, start_rad: Array, target_rad: Array) -> Array:
        """Return commanded tilt (K, M, 2) [rad] at ticks 0 to K-1; the target is held then."""
        ...


def path_fault(path: Any, n_mirrors: int) -> str | None:
    """Return what is wrong with the path that a shaper gave, or None."""
    shape = getattr(path, "shape", None)
    if shape is None or len(shape) != 3 or shape[0] < 1 or shape[1:] != (n_mirrors, 2):
        return f"must be of shape (K, {n_mirrors}, 2) with K at least 1 (got {shape})"
    return None if np.isfinite(path).all() else "must be finite"
