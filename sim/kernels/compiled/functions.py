"""Functions of lanes in double precision, without branches, alike on every instruction set."""

import numpy as np

from sim.kernels.compilation import inlined
from sim.kernels.vectors import fabs, floor, fma, spread, where_above

HALVINGS = 10
TWO_BY_PI = 2.0 / np.pi
PI_BY_2, PI_BY_2_REST = 1.5707963267948966, 6.123233995736766e-17
"""Half of pi in two parts."""
# Of power series, highest power first; the first left out is 3e-14, 1e-16, 1e-15 of the value.
EXPONENTIAL = (
    1.0 / 3628800, 1.0 / 362880, 1.0 / 40320, 1.0 / 5040, 1.0 / 720, 1.0 / 120, 1.0 / 24, 1.0 / 6,
    0.5, 1.0,
)  # fmt: skip
SINE = (
    1.0 / 6227020800, -1.0 / 39916800, 1.0 / 362880, -1.0 / 5040, 1.0 / 120, -1.0 / 6, 1.0,
)  # fmt: skip
COSINE = (
    -1.0 / 87178291200, 1.0 / 479001600, -1.0 / 3628800, 1.0 / 40320, -1.0 / 720, 1.0 / 24, -0.5,
    1.0,
)  # fmt: skip


@inlined
def _power_series(coefficients, x):  # type: ignore[no-untyped-def]
    value = fma(x, coefficients[0], coefficients[1])
    for i in range(2, len(coefficients)):
        value = fma(value, x, coefficients[i])
    return value


@inlined
def decayed(x):  # type: ignore[no-untyped-def]
    """1 - exp(-x), within 1e-14 of the larger of 1 and exp(-x) for x above -100.

    By a series of x / 1024, whose square is taken ten times.
    """
    part = x * (-1.0 / 2.0**HALVINGS)
    less = part * _power_series(EXPONENTIAL, part)  # exp(part) - 1
    for _ in range(HALVINGS):
        less = fma(less, less, less + less)
    return spread(0.0) - less


@inlined
def sine_and_cosine(x):  # type: ignore[no-untyped-def]
    """Sine and cosine, within 1e-13 up to angles of a thousand."""
    quarter = floor(x * TWO_BY_PI + 0.5)
    rest = fma(quarter, -PI_BY_2_REST, fma(quarter, -PI_BY_2, x))
    square = rest * rest
    s = rest * _power_series(SINE, square)
    c = _power_series(COSINE, square)
    turn = quarter - floor(quarter * 0.25) * 4.0
    odd = turn - floor(turn * 0.5) * 2.0
    none = spread(0.0)
    sine = where_above(odd, 0.5, c, s)
    cosine = where_above(odd, 0.5, s, c)
    sine = where_above(turn, 1.5, none - sine, sine)
    return sine, where_above(1.0, fabs(turn - 1.5), none - cosine, cosine)
