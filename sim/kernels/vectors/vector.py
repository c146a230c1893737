"""What lanes are: a type for numba, and an LLVM vector."""

from collections.abc import Iterable, Sequence
from typing import Any

from llvmlite import ir
from numba import types
from numba.extending import models, register_model

from sim.kernels.threads import BLOCK

N = BLOCK
"""Lanes that are loaded at a time: one for each mirror of a block."""
WORD = ir.IntType(32)
LLVM = {
    types.float32: ir.FloatType(),
    types.float64: ir.DoubleType(),
    types.int32: WORD,
    types.uint32: WORD,
    types.int64: ir.IntType(64),
    types.uint64: ir.IntType(64),
    types.uint8: ir.IntType(8),
}


class Lanes(types.Type):
    """Some numbers of one type."""

    def __init__(self, dtype: Any, count: int = N) -> None:
        self.dtype = dtype
        self.count = count
        super().__init__(name=f"Lanes({dtype}, {count})")


def vector(dtype: Any, count: int) -> ir.VectorType:
    """LLVM's type of some numbers."""
    return ir.VectorType(LLVM[dtype], count)


@register_model(Lanes)
class LanesModel(models.PrimitiveModel):
    """Lanes are an LLVM vector."""

    def __init__(self, dmm: Any, fe_type: Any) -> None:
        super().__init__(dmm, fe_type, vector(fe_type.dtype, fe_type.count))


def order(places: Iterable[int]) -> Any:
    """Which lanes to take, as a constant."""
    chosen = list(places)
    return ir.Constant(ir.VectorType(WORD, len(chosen)), chosen)


def spread_over(builder: Any, dtype: Any, value: Any, count: int) -> Any:
    """Put one value into all lanes."""
    undefined = ir.Constant(vector(dtype, count), ir.Undefined)
    first = builder.insert_element(undefined, value, ir.Constant(WORD, 0))
    return builder.shuffle_vector(first, undefined, order([0] * count))


def as_lanes(builder: Any, kind: Any, value: Any, lanes: Lanes) -> Any:
    """Spread a value unless it is lanes."""
    if isinstance(kind, Lanes):
        return value
    return spread_over(builder, lanes.dtype, value, lanes.count)


def common(kinds: Sequence[Any]) -> Lanes | None:
    """Type of the lanes among some types, if the others can go with them."""
    lanes = next((kind for kind in kinds if isinstance(kind, Lanes)), None)
    if lanes is None or not all(kind in (lanes, lanes.dtype) for kind in kinds):
        return None
    return lanes
