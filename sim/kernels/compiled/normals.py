"""Compiled random numbers: those of `sim.foundations.rng`, and single-precision normals from them.

`sim.kernels.plain` says in plain numpy what the normals are.
"""

import numpy as np
from numpy.typing import NDArray

from sim.kernels.compilation import inlined, kernel
from sim.kernels.compiled.blocks import next_block
from sim.kernels.compiled.polynomials import COS, LN, LN_2, SIN
from sim.kernels.threads import blocks_of, share
from sim.kernels.vectors import (
    N,
    as_float32,
    as_int32,
    as_uint32,
    first_half,
    fma,
    int_to_float32,
    join,
    load,
    low_word,
    second_half,
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
NORMAL_S = 0.7e-9
"""About what a normal takes. [s]"""


@inlined
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
def _shared(c0, p1, c3, k0, k1):  # type: ignore[no-untyped-def]
    """What counters with the same `c0`, `c2` and `c3` share in their first three rounds."""
    p0 = M0 * U64(c0)
    on_c = p0 & LOW
    q1 = M1 * U64(U32(p0 >> S32) ^ c3 ^ k1)
    q0 = M0 * U64(U32(q1 >> S32) ^ U32(p1) ^ U32(k0 + W0))
    return (
        on_c ^ U64(U32(k1 + W1)),
        (q1 & LOW) ^ U64(U32(k0 + W0 + W0)),
        (q0 >> S32) ^ U64(U32(k1 + W1 + W1)),
        q0 & LOW,
    )


@inlined
def philox_lanes(c0, c1, c2, c3, k0, k1):  # type: ignore[no-untyped-def]
    """Philox4x32-10 of 32 counters: sixteen `c1` with `c0`, then the same with `c0 + 1`.

    What the lanes share in the first three rounds is worked out once, and what the callers' loops
    do not change is queue out of them. Words stay in 64 bits, of which the low 32 count.
    """
    p1 = M1 * U64(c2)
    c_here, a_here, d_here, e_here = _shared(c0, p1, c3, k0, k1)
    c_next, a_next, d_next, e_next = _shared(U32(c0 + U32(1)), p1, c3, k0, k1)
    q0 = (uint32_to_64(c1) ^ U64(U32(p1 >> S32) ^ k0)) * M0
    b = join((q0 >> S32) ^ c_here, (q0 >> S32) ^ c_next) * M1
    a = (b >> S32) ^ join(spread(a_here), spread(a_next))
    c = join(q0 ^ d_here, q0 ^ d_next)
    d = join(spread(e_here), spread(e_next))
    k0 = U32(k0 + W0 + W0)
    k1 = U32(k1 + W1 + W1)
    for _ in range(7):
        k0 = U32(k0 + W0)
        k1 = U32(k1 + W1)
        q0 = (a & LOW) * M0
        q1 = (c & LOW) * M1
        a = (q1 >> S32) ^ b ^ U64(k0)
        c = (q0 >> S32) ^ d ^ U64(k1)
        b = q1
        d = q0
    return low_word(a), low_word(b), low_word(c), low_word(d)


@inlined
def polynomial(coefficients, x):  # type: ignore[no-untyped-def]
    """Value of a polynomial, highest power first, a fused multiply-add a step."""
    value = fma(x, F32(coefficients[0]), F32(coefficients[1]))
    for i in range(2, len(coefficients)):
        value = fma(value, x, F32(coefficients[i]))
    return value


@inlined
def _exponential(word):  # type: ignore[no-untyped-def]
    """-2 ln u for u = (word >> 8 + 1/2) / 2^24, by a polynomial."""
    v = int_to_float32(as_int32(word >> U32(8))) + F32(0.5)
    bits = as_int32(v)
    power = (bits - I32(0x3F3504F3)) >> I32(23)
    f = as_float32(bits - (power << I32(23))) - F32(1.0)
    return fma(polynomial(LN, f), f, int_to_float32(power - I32(24)) * F32(LN_2))


@inlined
def normal_pair(radius_word, angle_word):  # type: ignore[no-untyped-def]
    """Two standard normals from two words: Box and Muller; see the plain form."""
    radius = sqrt(_exponential(radius_word))
    t = int_to_float32(as_int32(angle_word << U32(2))) * F32(2.0**-33)
    s = t * t
    sine = as_uint32(polynomial(SIN, s) * (t * radius))
    cosine = as_uint32(polynomial(COS, s) * radius) ^ (angle_word & U32(0x80000000))
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
def _kept(out, start, count, n, x, y):  # type: ignore[no-untyped-def]
    """Write normals of instant `n` and, from the second half, of the next but one."""
    if n < out.shape[0]:
        store_some(out, (n, 0, start), count, first_half(x))
        store_some(out, (n, 1, start), count, first_half(y))
    if n + 2 < out.shape[0]:
        store_some(out, (n + 2, 0, start), count, second_half(x))
        store_some(out, (n + 2, 1, start), count, second_half(y))


@inlined
def normals_block(start, count, names, out, first_pair, frame, key):  # type: ignore[no-untyped-def]
    """See `fill_normals`; one block of mirrors by their names."""
    n_ticks = out.shape[0]
    for n in range(0, n_ticks, 4):
        w0, w1, w2, w3 = philox_lanes(
            U32(first_pair + n // 2), names, U32(frame), U32(0), U32(key[0]), U32(key[1])
        )
        x0, y0 = normal_pair(w0, w1)
        x1, y1 = normal_pair(w2, w3)
        _kept(out, start, count, n, x0, y0)
        _kept(out, start, count, n + 1, x1, y1)


def fill_normals(
    out: NDArray[np.float32], mirrors: NDArray[np.int64], first_pair: int, frame: int,
    key: tuple[int, int],
) -> None:  # fmt: skip
    """Fill `out` (T, 2, M) with standard normals named by (pair of instants, mirror, frame)."""
    blocks = blocks_of(out.shape[2])
    share(_fill, blocks, out.size / blocks * NORMAL_S, out, mirrors, first_pair, frame, key)


@kernel
def _fill(queue, out, mirrors, first_pair, frame, key):  # type: ignore[no-untyped-def]
    n_mirrors = out.shape[2]
    start = N * next_block(queue)
    while start < n_mirrors:
        count = min(N, n_mirrors - start)
        normals_block(
            start, count, block_names(mirrors, start, count), out, first_pair, frame, key
        )
        start = N * next_block(queue)
