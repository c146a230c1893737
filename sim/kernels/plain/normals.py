"""Normals from counted random words."""

import numpy as np
from numpy.typing import NDArray

from sim.foundations.ports import Array
from sim.foundations.rng import Key, philox


def normal_pair(radius_word: NDArray[np.uint32], angle_word: NDArray[np.uint32]) -> Array:
    """Return two standard normals (2, ...) from two words: Box and Muller.

    The radius is sqrt(-2 ln u) for u = (word >> 8 + 1/2) / 2^24. The angle is within an eighth of
    a turn of the x axis; two bits more turn it about and swap the axes, which makes the whole turn.
    """
    radius = np.sqrt(-2.0 * np.log(((radius_word >> np.uint32(8)) + 0.5) * 2.0**-24))
    angle = np.pi * 2.0**-33 * (angle_word << np.uint32(2)).view(np.int32)
    about = np.where(angle_word >> np.uint32(31), -1.0, 1.0)
    pair = radius * np.stack([about * np.cos(angle), np.sin(angle)])
    return np.where((angle_word >> np.uint32(30)) & np.uint32(1), pair[::-1], pair)


def fill_normals(
    out: NDArray[np.float32], mirrors: NDArray, first_pair: int, frame: int, key: Key
) -> None:
    """Fill `out` (T, 2, M) with standard normals named by (pair of instants, mirror, frame)."""
    pairs = first_pair + np.arange((out.shape[0] + 1) // 2)
    counter = np.zeros((len(pairs), len(mirrors), 4), np.uint32)
    counter[..., 0] = pairs[:, None]
    counter[..., 1] = mirrors
    counter[..., 2] = frame
    words = philox(counter, key)
    out[0::2] = np.moveaxis(normal_pair(words[..., 0].copy(), words[..., 1].copy()), 0, 1)
    odd = np.moveaxis(normal_pair(words[..., 2].copy(), words[..., 3].copy()), 0, 1)
    out[1::2] = odd[: out.shape[0] // 2]
