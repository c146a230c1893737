"""The slowest motion of each closed loop: its poles nearest to the limit of stability."""

from typing import NamedTuple

import numpy as np

from controllers.analysis.linear_loop import ClosedLoop
from sim.foundations.ports import Array

OWN: float = 0.5
"""A pole belongs to an axis whose reading it moves at least half as much as the other's."""
UNSEEN: float = 1e-9
"""Motion that reaches no reading by more than this share of itself is left out."""


class NearestPole(NamedTuple):
    """(M, 2) each: of axis x and of axis y; NaN where no motion reaches the reading."""

    radius: Array
    """Factor per frame by which the motion shrinks; 1: the limit of stability. [-]"""
    frequency_hz: Array
    """At which it rings, below half the frame rate; 0: it does not ring. [Hz]"""
    damping: Array
    """Damping ratio: -ln r / |ln z|; negative where it grows. [-]"""
    decay_s: Array
    """Time in which it shrinks to 1/e; negative where it grows. [s]"""


def nearest_poles(closed: ClosedLoop, frame_s: float) -> NearestPole:
    """Return the pole of largest radius that each axis' reading shows.

    Parameters
    ----------
    closed : ClosedLoop
        From `controllers.analysis.linear_loop.close`.
    frame_s : float
        Frame period. [s]
    """
    poles, vectors = np.linalg.eig(closed.A)
    seen = np.abs(closed.Y @ vectors)  # (M, 2, n)
    largest = seen.max(axis=1, keepdims=True)
    shown = (seen >= OWN * largest) & (largest > UNSEEN)
    radius = np.where(shown, np.abs(poles)[:, None], -1.0)
    at = radius.argmax(axis=-1)
    z = np.take_along_axis(poles, at.reshape(len(poles), -1), axis=-1)
    none = ~shown.any(axis=-1)
    size = np.where(none, np.nan, np.abs(z))
    log = np.log(np.where(none | (size == 0), 0.5, z).astype(complex))
    with np.errstate(divide="ignore"):
        decay = np.where(size == 0, 0.0, -frame_s / log.real)
    return NearestPole(
        size,
        np.where(none, np.nan, np.abs(log.imag) / (2 * np.pi * frame_s)),
        np.where(none, np.nan, -log.real / np.abs(log)),
        np.where(none, np.nan, decay),
    )
