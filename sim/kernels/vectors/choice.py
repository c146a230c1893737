"""Lanes compared, and chosen by it."""

from collections.abc import Callable
from typing import Any

from llvmlite import ir
from numba import types
from numba.core import cgutils
from numba.core.errors import TypingError
from numba.extending import intrinsic

from sim.kernels.vectors.vector import as_lanes, common


def _compare(builder: Any, relation: str, dtype: Any, a: Any, b: Any) -> Any:
    if isinstance(dtype, types.Float):
        return builder.fcmp_ordered(relation, a, b)
    return builder.icmp_signed(relation, a, b)


def _chosen(name: str, relation: str) -> Callable[..., Any]:
    """Return a choice between two lanes, the first where the relation holds."""

    def choose(typingctx: Any, a: Any, b: Any) -> Any:
        def codegen(context: Any, builder: Any, sig: Any, args: Any) -> Any:
            first, second = args
            holds = _compare(builder, relation, a.dtype, first, second)
            return builder.select(holds, first, second)

        return a(a, b), codegen

    choose.__name__ = name
    return intrinsic(choose)  # type: ignore[no-any-return]


minimum = _chosen("minimum", "<")
maximum = _chosen("maximum", ">")


@intrinsic
def where_above(typingctx: Any, a: Any, b: Any, x: Any, y: Any) -> Any:
    """Return the lanes of `x` where `a > b`, else of `y`; any of them may be one number."""
    compared, chosen = common((a, b)), common((x, y))
    if compared is None or chosen is None:
        raise TypingError(f"where_above needs two pairs of lanes, got {a}, {b}, {x}, {y}")

    def codegen(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        of = (compared, compared, chosen, chosen)
        first, second, yes, no = (
            as_lanes(builder, kind, value, lanes)
            for kind, value, lanes in zip(sig.args, args, of, strict=True)
        )
        return builder.select(_compare(builder, ">", compared.dtype, first, second), yes, no)

    return chosen(a, b, x, y), codegen


@intrinsic
def any_above(typingctx: Any, a: Any, b: Any) -> Any:
    """Whether `a > b` in any lane."""

    def codegen(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        holds = _compare(builder, ">", a.dtype, *args)
        bits = builder.bitcast(holds, ir.IntType(a.count))
        some = builder.icmp_unsigned("!=", bits, ir.Constant(ir.IntType(a.count), 0))
        flag = ir.IntType(1)
        expect = cgutils.get_or_insert_function(
            builder.module, ir.FunctionType(flag, [flag, flag]), "llvm.expect.i1"
        )
        return builder.call(expect, [some, ir.Constant(flag, 0)])

    return types.boolean(a, b), codegen
