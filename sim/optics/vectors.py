"""Three-vectors of many rays, component by component: arrays (3, C)."""

import numpy as np

from sim.foundations.ports import Array


def dot(a: Array, b: Array) -> Array:
    """Return the scalar product (C,) of vectors (3, C)."""
    return np.asarray(a[0] * b[0] + a[1] * b[1] + a[2] * b[2])


def unit(a: Array) -> Array:
    """Return vectors (3, C) scaled to length one."""
    return np.asarray(a / np.sqrt(dot(a, a)))


def reflected(way: Array, normal: Array) -> Array:
    """Return directions (3, C) after a flat mirror with the unit normal (3, C)."""
    return np.asarray(way - 2.0 * dot(way, normal) * normal)


def hit_plane(point: Array, way: Array, at: Array, normal: Array) -> Array:
    """Return where lines (3, C) from a point along `way` cross the plane through `at`. [m]"""
    return np.asarray(point + dot(at - point, normal) / dot(way, normal) * way)


def rotation(turn_rad: Array) -> Array:
    """Return the matrix (3, 3) that turns column vectors about an axis, right-handed.

    Parameters
    ----------
    turn_rad : (3,) ndarray
        Along the axis, as long as the angle. [rad]

    References
    ----------
    .. [1] The unit quaternion of axis and angle, after Euler and Rodrigues; it needs no division by
       an angle that may be zero.
    """
    angle_rad = np.linalg.norm(turn_rad)
    x, y, z = 0.5 * np.sinc(angle_rad / (2.0 * np.pi)) * turn_rad
    w = np.cos(0.5 * angle_rad)
    return np.array([
        [x * x - y * y - z * z + w * w, 2.0 * (x * y - z * w), 2.0 * (x * z + y * w)],
        [2.0 * (x * y + z * w), -x * x + y * y - z * z + w * w, 2.0 * (y * z - x * w)],
        [2.0 * (x * z - y * w), 2.0 * (y * z + x * w), -x * x - y * y + z * z + w * w],
    ])  # fmt: skip
