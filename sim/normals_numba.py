"""Compiled random numbers: the generator of `sim.rng`, and single-precision normals from it.

`sim.kernels_numpy` says in plain numpy what the normals are.
"""

import numpy as np
from numba import njit, prange

from sim.approximations import LN, LN_2, SIN
from sim.compiled import inlined, kernel
from sim.lanes import (
    N,
    as_float32,
    as_int32,
    as_uint32,
    int_to_float32,
    load,
    low_word,
    spread,
    sqrt,
    store_some,
    uint32_to_64,
)

U32 = np.uint32
U64 = np.uint64
I32 = np.int32
F32 = np.float32
M0, M1 = U64(0xD2511F53), U64(0xCD9E8D57)
W0, W1 = U32(0x9E3779B9), U32(0xBB67AE85)
S32 = U64(32)
LOW = U64(0xFFFFFFFF)


@njit(inline="always")
def philox_word(c0, c1, c2, c3, k0, k1):  # type: ignore[no-untyped-def]
    """Philox4x32-10 of one counter."""
    for _ in range(10):
        p0 = M0 * U64(c0)
        p1 = M1 * U64(c2)
        n0 = U32(U32(U32(p1 >> S32) ^ c1) ^ k0)
        n2 = U32(U32(U32(p0 >> S32) ^ c3) ^ k1)
        c1 = U32(p1)
        c3 = U32(p0)
        c0 = n0
        c2 = n2
        k0 = U32(k0 + W0)
        k1 = U32(k1 + W1)
    return c0, c1, c2, c3


@inlined
def philox_lanes(c0, c1, c2, c3, k0, k1):  # type: ignore[no-untyped-def]
    """Philox4x32-10 of sixteen counters that differ in `c1` alone.

    What the lanes share in the first three rounds is worked out once, and what the callers' loops
    do not change is taken out of them. Words stay in 64 bits, of which the low 32 count.
    """
    p0 = M0 * U64(c0)
    p1 = M1 * U64(c2)
    a = uint32_to_64(c1) ^ U64(U32(p1 >> S32) ^ k0)
    b = p1 & LOW
    c = U64(U32(p0 >> S32) ^ c3 ^ k1)
    d = p0 & LOW
    k0 = U32(k0 + W0)
    k1 = U32(k1 + W1)
    q0 = a * M0
    p1 = M1 * c
    same_a = U64(U32(p1 >> S32) ^ U32(b) ^ k0)
    same_b = p1 & LOW
    c_lanes = (q0 >> S32) ^ U64(U32(d) ^ k1)
    d_lanes = q0
    k0 = U32(k0 + W0)
    k1 = U32(k1 + W1)
    p0 = M0 * same_a
    q1 = c_lanes * M1
    a = (q1 >> S32) ^ U64(U32(same_b) ^ k0)
    b_lanes = q1
    c_lanes = d_lanes ^ U64(U32(p0 >> S32) ^ k1)
    d_lanes = spread(p0 & LOW)
    for _ in range(7):
        k0 = U32(k0 + W0)
        k1 = U32(k1 + W1)
        q0 = (a & LOW) * M0
        q1 = (c_lanes & LOW) * M1
        a = (q1 >> S32) ^ b_lanes ^ U64(k0)
        c_lanes = (q0 >> S32) ^ d_lanes ^ U64(k1)
        b_lanes = q1
        d_lanes = q0
    return low_word(a), low_word(b_lanes), low_word(c_lanes), low_word(d_lanes)


@inlined
def _exponential(word):  # type: ignore[no-untyped-def]
    """-2 ln u for u = (word >> 8 + 1/2) / 2^24, by a polynomial."""
    v = int_to_float32(as_int32(word >> U32(8))) + F32(0.5)
    bits = as_int32(v)
    power = (bits - I32(0x3F3504F3)) >> I32(23)
    f = as_float32(bits - (power << I32(23))) - F32(1.0)
    p = f * F32(LN[0]) + F32(LN[1])
    p = p * f + F32(LN[2])
    p = p * f + F32(LN[3])
    p = p * f + F32(LN[4])
    p = p * f + F32(LN[5])
    p = p * f + F32(LN[6])
    return int_to_float32(power - I32(24)) * F32(LN_2) + p * f


@inlined
def normal_pair(radius_word, angle_word):  # type: ignore[no-untyped-def]
    """Two standard normals from two words: Box and Muller; see the plain form."""
    square = _exponential(radius_word)
    t = int_to_float32(as_int32(angle_word << U32(2))) * F32(2.0**-33)
    s = t * t
    p = s * F32(SIN[0]) + F32(SIN[1])
    p = p * s + F32(SIN[2])
    p = (p * s + F32(SIN[3])) * t
    near = p * sqrt(square)
    far = sqrt(square - near * near)
    sine = as_uint32(near)
    cosine = as_uint32(far) ^ (angle_word & U32(0x80000000))
    swap = (sine ^ cosine) & as_uint32(as_int32(angle_word << U32(1)) >> I32(31))
    return as_float32(cosine ^ swap), as_float32(sine ^ swap)


@inlined
def block_names(mirrors, start, count):  # type: ignore[no-untyped-def]
    """Numbers of a block's mirrors."""
    names = np.zeros(N, U32)
    for i in range(count):
        names[i] = U32(mirrors[start + i])
    return load(names, 0)


@inlined
def normals_block(  # type: ignore[no-untyped-def]
    start, count, out, mirrors, first_pair, frame, seed, stream
):
    """See `fill_normals`; one block of mirrors."""
    names = block_names(mirrors, start, count)
    n_ticks = out.shape[0]
    for pair in range((n_ticks + 1) // 2):
        w0, w1, w2, w3 = philox_lanes(
            U32(first_pair + pair), names, U32(frame), U32(0), U32(seed), U32(stream)
        )
        x, y = normal_pair(w0, w1)
        store_some(out, (2 * pair, 0, start), count, x)
        store_some(out, (2 * pair, 1, start), count, y)
        if 2 * pair + 1 < n_ticks:
            x, y = normal_pair(w2, w3)
            store_some(out, (2 * pair + 1, 0, start), count, x)
            store_some(out, (2 * pair + 1, 1, start), count, y)


@kernel
def fill_normals(out, mirrors, first_pair, frame, seed, stream):  # type: ignore[no-untyped-def]
    """Fill `out` (T, 2, M) with standard normals named by (pair of instants, mirror, frame)."""
    n_mirrors = out.shape[2]
    for block in prange((n_mirrors + N - 1) // N):
        start = block * N
        normals_block(
            start, min(N, n_mirrors - start), out, mirrors, first_pair, frame, seed, stream
        )
