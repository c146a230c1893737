"""Sixteen numbers at a time: vectors of fixed length for compiled kernels.

A kernel that works on `Lanes` is vectorised as it is written, on every processor: the compiler's
back end splits the lanes into the registers that there are. Each operation rounds as the same
operation on single numbers does, so the bits do not depend on the instruction set. Operators take
lanes with lanes, or with one number of the same type.

Sixteen are loaded at a time. Two such can be joined for a stretch of arithmetic, so that the
processor always finds an operation that need not wait for the one before it. Eight are for
arithmetic whose many numbers would not fit into the registers otherwise.
"""

from sim.kernels.vectors.arithmetic import (
    as_float32,
    as_int32,
    as_uint32,
    copysign,
    fabs,
    float32_to_64,
    float64_to_32,
    float_to_int32,
    floor,
    fma,
    int32_to_64,
    int64_to_32,
    int64_to_float64,
    int_to_float32,
    low_byte,
    low_word,
    sqrt,
    uint32_to_64,
)
from sim.kernels.vectors.choice import (
    any_above,
    maximum,
    minimum,
    where_above,
)
from sim.kernels.vectors.memory import (
    load,
    load_8,
    load_some,
    load_some_8,
    seen,
    spread,
    spread_8,
    store,
    store_some,
    take,
)
from sim.kernels.vectors.order import (
    first_half,
    interleave,
    join,
    second_half,
)
from sim.kernels.vectors.vector import (
    Lanes,
    N,
)

__all__ = [
    "Lanes",
    "N",
    "any_above",
    "as_float32",
    "as_int32",
    "as_uint32",
    "copysign",
    "fabs",
    "first_half",
    "float32_to_64",
    "float64_to_32",
    "float_to_int32",
    "floor",
    "fma",
    "maximum",
    "int32_to_64",
    "int64_to_32",
    "int64_to_float64",
    "int_to_float32",
    "interleave",
    "join",
    "minimum",
    "load",
    "load_8",
    "load_some",
    "load_some_8",
    "low_byte",
    "low_word",
    "second_half",
    "spread",
    "spread_8",
    "sqrt",
    "store",
    "store_some",
    "seen",
    "take",
    "uint32_to_64",
    "where_above",
]
