"""Multiply and add in single precision, rounded once."""

import numpy as np
from numpy.typing import NDArray

F32 = np.float32


def fma(a: NDArray | F32, b: NDArray | F32, c: NDArray | F32) -> NDArray[np.float32]:
    """Return a * b + c in single precision, rounded once, as processors do.

    In double precision the product is exact. The sum is rounded to odd: where it is not exact, its
    last bit is set, which keeps the second rounding from going the wrong way.

    References
    ----------
    .. [1] S. Boldo and G. Melquiond, "Emulation of a FMA and correctly rounded sums: proved
       algorithms using rounding to odd", IEEE Transactions on Computers 57 (2008) 462. From memory.
    """
    product = np.multiply(a, b, dtype=np.float64)
    addend = np.asarray(c, np.float64)
    total = np.asarray(product + addend)
    back = total - product
    rest = (product - (total - back)) + (addend - back)
    bits = total.view(np.int64)
    away = np.where((rest > 0.0) == (total > 0.0), 1, -1)
    odd = np.where((rest != 0.0) & np.isfinite(rest) & (bits & 1 == 0), bits + away, bits)
    return np.asarray(odd.view(np.float64).astype(F32))


def polynomial(coefficients: tuple[float, ...], x: NDArray) -> NDArray[np.float32]:
    """Evaluate a polynomial, highest power first, a fused multiply-add a step."""
    result = np.full_like(x, F32(coefficients[0]))
    for c in coefficients[1:]:
        result = fma(result, x, F32(c))
    return result
