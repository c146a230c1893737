"""Single-precision normals from counted random words."""

import numpy as np
from numpy.typing import NDArray

from sim.kernels.plain.multiply_add import F32, fma, polynomial
from sim.kernels.polynomials import COS, LN, LN_2, SIN
from sim.rng import Key, philox


def normal_pair(
    radius_word: NDArray[np.uint32], angle_word: NDArray[np.uint32]
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Two standard normals from two words: Box and Muller.

    The radius is sqrt(-2 ln u) for u = (word >> 8 + 1/2) / 2^24. The angle is within an eighth of
    a turn of the x axis; two bits more turn it about and swap the axes, which makes the whole turn.
    """
    v = (radius_word >> np.uint32(8)).astype(F32) + F32(0.5)
    bits = v.view(np.int32)
    power = (bits - np.int32(0x3F3504F3)) >> np.int32(23)
    f = (bits - (power << np.int32(23))).view(F32) - F32(1.0)
    square = fma(polynomial(LN, f), f, (power - np.int32(24)).astype(F32) * F32(LN_2))
    radius = np.sqrt(square)
    t = (angle_word << np.uint32(2)).view(np.int32).astype(F32) * F32(2.0**-33)
    sine = polynomial(SIN, t * t) * (t * radius)
    cosine = polynomial(COS, t * t) * radius
    cosine = np.where(angle_word >> np.uint32(31), -cosine, cosine)
    swap = (angle_word >> np.uint32(30)) & np.uint32(1) > 0
    return np.where(swap, sine, cosine), np.where(swap, cosine, sine)


def fill_normals(
    out: NDArray, mirrors: NDArray, first_pair: int, frame: int, key: Key
) -> None:
    """Fill `out` (T, 2, M) with standard normals named by (pair of instants, mirror, frame)."""
    pairs = first_pair + np.arange((out.shape[0] + 1) // 2)
    counter = np.zeros((len(pairs), len(mirrors), 4), np.uint32)
    counter[..., 0] = pairs[:, None]
    counter[..., 1] = mirrors
    counter[..., 2] = frame
    words = philox(counter, key)
    out[0::2, 0], out[0::2, 1] = normal_pair(words[..., 0].copy(), words[..., 1].copy())
    odd = normal_pair(words[..., 2].copy(), words[..., 3].copy())
    n_odd = out.shape[0] // 2
    out[1::2, 0], out[1::2, 1] = odd[0][:n_odd], odd[1][:n_odd]
