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
