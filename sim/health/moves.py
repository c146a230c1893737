"""A gain that was lost unseen, at rest: what a move shows of it."""

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.foundations.ports import Array

SMALLEST: Final = 0.5
"""A mirror that makes less of a move than this, or more than its inverse, is not called weak."""


class LastPlace(NamedTuple):
    """Where each of M mirrors stood before it was moved, as far as that was known."""

    asked_rad: Array
    """(M, 2) expected tilt, corrections included; NaN where it was not known. [rad]"""
    level_rad: Array
    """(M, 2) unexplained tilt there. [rad]"""


def nowhere(n_mirrors: int) -> LastPlace:
    """Return what is known before the first move."""
    return LastPlace(np.full((n_mirrors, 2), np.nan), np.zeros((n_mirrors, 2)))


def gain_by_move(
    last: LastPlace, asked_rad: Array, level_rad: Array, scatter_rad: Array, healthy: float
) -> tuple[Array, Array]:
    """Return what mirrors made of their last move, (M,), and how unlikely that is of health (M,).

    Parameters
    ----------
    last : LastPlace
        Before the move.
    asked_rad, level_rad : (M, 2) ndarray
        Expected and unexplained tilt after it. [rad]
    scatter_rad : (M,) ndarray
        Standard deviation of the change of the level, moves aside. [rad]
    healthy : float
        Standard deviation of a healthy gain about the one believed. [-]

    Returns
    -------
    gain : (M,) ndarray
        Tilt gained along the move, over that asked for; NaN where it is not known.
    evidence : (M,) ndarray
        q^2/2 with q the standard deviations that it is off by: a healthy, normal gain is as far
        off with a probability below exp(-q^2/2). [nat]
    """
    move = asked_rad - last.asked_rad
    length = np.hypot(move[:, 0], move[:, 1])
    known = np.isfinite(length) & (length > 0)
    safe = np.where(known, length, 1.0)
    along = ((level_rad - last.level_rad) * np.where(known[:, None], move, 0.0)).sum(axis=1) / safe
    off = along / np.hypot(np.where(known, healthy * safe, 1.0), scatter_rad)
    gain = 1.0 + along / safe
    weak: NDArray[np.bool_] = known & (gain > SMALLEST) & (gain < 1.0 / SMALLEST)
    return np.where(weak, gain, np.nan), np.where(weak, 0.5 * off**2, 0.0)
