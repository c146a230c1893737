"""Scale, rotation and shift between two sets of points, in closed form."""

from typing import NamedTuple

import numpy as np

from sim.foundations.ports import Array


class Similarity(NamedTuple):
    """Points p become scale R(rotation) p + shift."""

    scale: float
    rotation_rad: float
    shift: Array
    """(2,)"""


def similarity(points: Array, seen: Array) -> Similarity:
    """Return what turns points (N, 2) into what was seen (N, 2), by least squares.

    Parameters
    ----------
    points, seen : (N, 2) ndarray
        In the same order.

    Raises
    ------
    ValueError
        If the points do not spread over both axes, or what was seen is mirrored: no rotation leads
        to a mirror image, and the best one would have far too small a scale.

    References
    ----------
    .. [1] S. Umeyama, IEEE Trans. Pattern Anal. Mach. Intell. 13 (1991) 376.
    """
    middle, seen_middle = points.mean(axis=0), seen.mean(axis=0)
    a, b = points - middle, seen - seen_middle
    covariance = b.T @ a / len(points)
    u, d, vt = np.linalg.svd(covariance)
    if d[1] <= 1e-12 * max(d[0], 1e-300):
        raise ValueError("points must spread over both axes")
    if np.linalg.det(u) * np.linalg.det(vt) < 0:
        raise ValueError("what was seen is the points' mirror image: an axis is reversed")
    rotation = u @ vt
    scale = float(d.sum() / a.var(axis=0).sum())
    angle = float(np.arctan2(rotation[1, 0], rotation[0, 0]))
    return Similarity(scale, angle, seen_middle - scale * rotation @ middle)
