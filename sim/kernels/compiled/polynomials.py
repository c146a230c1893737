"""Coefficients of the polynomials that kernels use instead of a library's functions.

All are single-precision numbers, highest power first, and each step is one fused multiply-add, so
that every instruction set gives the same bits.
"""

LN = (
    -0.23315612971782684, 0.37147679924964905, -0.4105088710784912, 0.4984067380428314,
    -0.6662712693214417, 1.000017523765564, -2.000002145767212,
)  # fmt: skip
"""-2 ln(1 + f) / f for 1 + f in [1/sqrt(2), sqrt(2)), highest power first; Chebyshev fit."""
LN_2 = -1.3862943649291992
"""-2 ln 2."""
SIN = (
    -0.5890750885009766, 2.549767017364502, -5.167707920074463, 3.1415927410125732,
)  # fmt: skip
"""sin(pi t) / t in powers of t^2 on [-1/4, 1/4], within 3e-8; Chebyshev fit."""
COS = (-1.3061221837997437, 4.057577133178711, -4.934788227081299, 1.0)
"""cos(pi t) in powers of t^2 on [-1/4, 1/4], within 6e-8; Chebyshev fit."""
ERF = (0.0000430638, 0.0002765672, 0.0001520143, 0.0092705272, 0.0422820123, 0.0705230784, 1.0)
"""Abramowitz and Stegun, Handbook of Mathematical Functions, 7.1.28; within 3e-7."""
