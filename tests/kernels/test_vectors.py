"""Lanes: one rounding for a multiply-add; functions in double precision."""

from fractions import Fraction

import numba
import numpy as np
import pytest

from sim.kernels.compiled.functions import decayed, sine_and_cosine
from sim.kernels.vectors import N, first_half, fma, join, load, second_half, store

F32 = np.float32


@numba.njit
def fused(out, a, b, c):
    for i in range(0, out.size, 2 * N):
        x = join(load(a, i), load(a, i + N))
        y = join(load(b, i), load(b, i + N))
        z = join(load(c, i), load(c, i + N))
        result = fma(x, y, z)
        store(out, i, first_half(result))
        store(out, i + N, second_half(result))


def nearest(value: Fraction) -> F32:
    """Single-precision number nearest to a fraction, ties to even."""
    guess = F32(float(value))
    around = (np.nextafter(guess, F32(-np.inf)), guess, np.nextafter(guess, F32(np.inf)))
    return min(
        around, key=lambda x: (abs(Fraction(float(x)) - value), int(F32(x).view(np.int32)) & 1)
    )


def cases() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Numbers of all sizes, and some whose double-precision sum lies on a tie of single precision.

    a * b is 1 + 2^-23 or so, and c so small that it only breaks the tie.
    """
    rng = np.random.default_rng(3)
    a, b, c = (
        (rng.choice([-1, 1], 4096) * rng.uniform(1, 2, 4096) * 2.0 ** rng.integers(-30, 30, 4096))
        for _ in range(3)
    )
    c[1024:2048] = -(a * b)[1024:2048] * (1 + rng.uniform(-1e-7, 1e-7, 1024))
    half = np.arange(2048, 4096)
    a[half] = 1 + (2 * rng.integers(0, 2**11, 2048) + 1) * 2.0**-12
    b[half] = 1 + (2 * rng.integers(0, 2**11, 2048) + 1) * 2.0**-12
    c[half] = rng.choice([-1, 1], 2048) * 2.0 ** rng.integers(-90, -50, 2048)
    return a.astype(F32), b.astype(F32), c.astype(F32)


def test_multiply_add_is_rounded_once() -> None:
    """IEEE 754-2019, 5.4.1, against exact fractions."""
    a, b, c = cases()
    out = np.zeros_like(a)
    fused(out, a, b, c)
    want = [
        nearest(Fraction(float(x)) * Fraction(float(y)) + Fraction(float(z)))
        for x, y, z in zip(a, b, c, strict=True)
    ]
    assert out.tolist() == [float(x) for x in want]
    twice = (a.astype(float) * b + c).astype(F32)
    assert (twice != out).any(), "the cases should tell one rounding from two"


def test_multiply_add_takes_lanes_of_one_type() -> None:
    @numba.njit
    def mixed(a, b):
        fma(load(a, 0), load(b, 0), F32(1.0))

    with pytest.raises(numba.core.errors.TypingError, match="fma needs lanes"):
        mixed(np.zeros(N, F32), np.zeros(N))


def test_functions_of_lanes_are_those_of_the_library() -> None:
    """Against numpy's `expm1`, `sin` and `cos`, over the arguments that overlaps have."""

    @numba.njit
    def all_of(x, out):  # type: ignore[no-untyped-def]
        for n in range(0, x.size, N):
            store(out, (0, n), decayed(load(x, n)))
            sine, cosine = sine_and_cosine(load(x, n))
            store(out, (1, n), sine)
            store(out, (2, n), cosine)

    rng = np.random.default_rng(1)
    x = np.concatenate([rng.uniform(-60.0, 300.0, 4000), rng.normal(0.0, 1e-3, 96)])
    out = np.empty((3, x.size))
    all_of(x, out)
    size = np.maximum(np.exp(-x), 1.0)
    assert np.max(np.abs(out[0] + np.expm1(-x)) / size) < 1e-13
    small = slice(4000, None)
    np.testing.assert_allclose(out[0, small], -np.expm1(-x[small]), rtol=1e-13)
    np.testing.assert_allclose(out[1], np.sin(x), atol=1e-13)
    np.testing.assert_allclose(out[2], np.cos(x), atol=1e-13)
