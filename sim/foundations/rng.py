"""Counter-based random numbers: every draw is named, so no order of work can change it.

The generator is Philox4x32-10 (J. K. Salmon et al., "Parallel random numbers: as easy as 1, 2, 3",
SC'11, 2011). Its key is (seed, stream); its counter names the draw, for instance
(pixel group, mirror, frame, 0). This module is the plain numpy form; the compiled kernels hold the
same rounds.
"""

from enum import IntEnum, unique

import numpy as np
from numpy.typing import ArrayLike, NDArray

SPREAD_LIMIT = 3.0
"""Spreads are cut off here. [standard deviations]"""
ROUNDS = 10
BLOCK = 8192
"""Draws worked out at a time: what they need stays in the processor's cache."""
MULTIPLIER_0 = 0xD2511F53
MULTIPLIER_1 = 0xCD9E8D57
WEYL_0 = 0x9E3779B9
WEYL_1 = 0xBB67AE85

Key = tuple[int, int]


@unique
class Stream(IntEnum):
    """Purposes that draw random numbers; each is a stream of its own."""

    PIXELS = 1
    AMPLIFIER = 2
    POPULATION = 3
    FIXED_PATTERN = 4
    CONNECTORS = 5
    MOVES = 6
    READINGS = 7
    BUILD = 20
    AIMING = 21
    LIFE = 22
    INSTRUMENT = 23
    YEARS = 24
    TRIALS = 25
    LIVES = 26
    UNCERTAINTY = 28
    DISTURBANCES = 64
    """The first of the disturbances' streams; the n-th disturbance uses this plus n."""
    EVENTS = 1 << 12
    """The first of the events' streams; the n-th event uses this plus n."""


def philox(counter: ArrayLike, key: Key) -> NDArray[np.uint32]:
    """Return Philox4x32-10 of each counter.

    Parameters
    ----------
    counter : (..., 4) array_like of uint32
        What is drawn.
    key : (int, int)
        Seed and stream, each below 2**32.

    Returns
    -------
    (..., 4) ndarray of uint32
        Four independent words per counter.
    """
    counters = np.asarray(counter)
    words = np.empty(counters.shape, np.uint32)
    rows, given = words.reshape(-1, 4), counters.reshape(-1, 4)
    for first in range(0, len(rows), BLOCK):
        part = slice(first, first + BLOCK)
        rows[part] = _philox(given[part].astype(np.uint64), key)
    return words


def _philox(counter: NDArray[np.uint64], key: Key) -> NDArray[np.uint64]:
    """Return the words (K, 4) of few counters (K, 4)."""
    c0, c1, c2, c3 = np.ascontiguousarray(counter.T)
    k0, k1 = int(key[0]), int(key[1])
    mask = np.uint64(0xFFFFFFFF)
    shift = np.uint64(32)
    for _ in range(ROUNDS):
        product_0 = np.uint64(MULTIPLIER_0) * c0
        product_1 = np.uint64(MULTIPLIER_1) * c2
        c0, c1, c2, c3 = (
            (product_1 >> shift) ^ c1 ^ np.uint64(k0),
            product_1 & mask,
            (product_0 >> shift) ^ c3 ^ np.uint64(k1),
            product_0 & mask,
        )
        k0 = (k0 + WEYL_0) & 0xFFFFFFFF
        k1 = (k1 + WEYL_1) & 0xFFFFFFFF
    return np.stack([c0, c1, c2, c3], axis=-1)


def uniforms(key: Key, a: ArrayLike, b: ArrayLike = 0, c: ArrayLike = 0) -> NDArray[np.float64]:
    """Return two uniforms in (0, 1) for each draw named (a, b, c); the names broadcast.

    Returns
    -------
    (..., 2) ndarray of float64
        52 random bits each.
    """
    names = np.broadcast_arrays(a, b, c)
    drawn = np.empty((*names[0].shape, 2))
    rows, flat = drawn.reshape(-1, 2), [name.ravel() for name in names]
    for first in range(0, len(rows), BLOCK):
        part = slice(first, first + BLOCK)
        counter = np.zeros((len(rows[part]), 4), np.uint64)
        for column, name in enumerate(flat):
            counter[:, column] = name[part]
        words = _philox(counter, key)
        bits = (words[:, 0::2] << np.uint64(32)) | words[:, 1::2]
        rows[part] = ((bits >> np.uint64(12)).astype(np.float64) + 0.5) * 2.0**-52
    return drawn


def normals(key: Key, a: ArrayLike, b: ArrayLike = 0, c: ArrayLike = 0) -> NDArray[np.float64]:
    """Return two standard normals for each draw named (a, b, c); the names broadcast.

    Box and Muller, Ann. Math. Statist. 29 (1958) 610.

    Returns
    -------
    (..., 2) ndarray of float64
    """
    u = uniforms(key, a, b, c)
    radius = np.sqrt(-2.0 * np.log(u[..., 0]))
    angle = 2.0 * np.pi * u[..., 1]
    return np.stack([radius * np.cos(angle), radius * np.sin(angle)], axis=-1)


def cut_normals(
    key: Key, a: ArrayLike, b: ArrayLike = 0, c: ArrayLike = 0
) -> NDArray[np.float64]:
    """Return `normals` cut off at `SPREAD_LIMIT`: what is built is inspected.

    Returns
    -------
    (..., 2) ndarray of float64
    """
    return np.clip(normals(key, a, b, c), -SPREAD_LIMIT, SPREAD_LIMIT)
