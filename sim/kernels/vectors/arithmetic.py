"""Operators, functions and conversions of lanes."""

import operator
from collections.abc import Callable
from typing import Any

from llvmlite import ir
from numba import types
from numba.core import cgutils
from numba.core.errors import TypingError
from numba.core.typing.templates import AbstractTemplate, infer_global, signature
from numba.extending import intrinsic, lower_builtin

from sim.kernels.vectors.vector import LLVM, Lanes, as_lanes, common, vector


def _operator(
    op: Any, of_floats: str | None, of_signed: str | None = None, of_unsigned: str | None = None
) -> None:
    """Let an operator take lanes; the names are those of LLVM's instructions, if there is one."""

    def instruction(dtype: Any) -> Any:
        if isinstance(dtype, types.Float):
            return of_floats
        return of_signed if dtype.signed else of_unsigned

    @infer_global(op)
    class _Typing(AbstractTemplate):
        def generic(self, args: Any, kws: Any) -> Any:
            lanes = common(args)
            if lanes is None or instruction(lanes.dtype) is None:
                return None
            return signature(lanes, *args)

    def lower(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        lanes = sig.return_type
        a, b = (
            as_lanes(builder, kind, value, lanes)
            for kind, value in zip(sig.args, args, strict=True)
        )
        return getattr(builder, instruction(lanes.dtype))(a, b)

    for kinds in ((Lanes, Lanes), (Lanes, types.Number), (types.Number, Lanes)):
        lower_builtin(op, *kinds)(lower)


_operator(operator.add, "fadd", "add", "add")
_operator(operator.sub, "fsub", "sub", "sub")
_operator(operator.mul, "fmul", "mul", "mul")
_operator(operator.truediv, "fdiv")
_operator(operator.and_, None, "and_", "and_")
_operator(operator.or_, None, "or_", "or_")
_operator(operator.xor, None, "xor", "xor")
_operator(operator.lshift, None, "shl", "shl")
_operator(operator.rshift, None, "ashr", "lshr")


def _call(builder: Any, name: str, args: Any) -> Any:
    """Call one of LLVM's elementwise functions of floating-point lanes."""
    kind = args[0].type
    suffix = "f32" if kind.element == LLVM[types.float32] else "f64"
    function = cgutils.get_or_insert_function(
        builder.module,
        ir.FunctionType(kind, [kind] * len(args)),
        f"llvm.{name}.v{kind.count}{suffix}",
    )
    return builder.call(function, args)


def _function(name: str) -> Callable[..., Any]:
    """Return a function of lanes by the name that LLVM has for it."""

    def of_one(typingctx: Any, x: Any) -> Any:
        def codegen(context: Any, builder: Any, sig: Any, args: Any) -> Any:
            return _call(builder, name, args)

        return x(x), codegen

    of_one.__name__ = name
    return intrinsic(of_one)  # type: ignore[no-any-return]


sqrt = _function("sqrt")
floor = _function("floor")
fabs = _function("fabs")


@intrinsic
def copysign(typingctx: Any, size: Any, sign: Any) -> Any:
    """Return lanes of one size and another sign."""

    def codegen(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        return _call(builder, "copysign", args)

    return size(size, sign), codegen


@intrinsic
def fma(typingctx: Any, a: Any, b: Any, c: Any) -> Any:
    """Return `a * b + c`, rounded once (IEEE 754-2019, 5.4.1); any of them may be one number."""
    lanes = common((a, b, c))
    if lanes is None:
        raise TypingError(f"fma needs lanes and numbers of one type, got {a}, {b}, {c}")

    def codegen(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        values = [
            as_lanes(builder, kind, value, lanes)
            for kind, value in zip(sig.args, args, strict=True)
        ]
        return _call(builder, "fma", values)

    return lanes(a, b, c), codegen


def _conversion(name: str, dtype: Any, instruction: str) -> Callable[..., Any]:
    """Return a conversion of lanes to another type by one of LLVM's instructions."""

    def convert(typingctx: Any, x: Any) -> Any:
        def codegen(context: Any, builder: Any, sig: Any, args: Any) -> Any:
            return getattr(builder, instruction)(args[0], vector(dtype, x.count))

        return Lanes(dtype, x.count)(x), codegen

    convert.__name__ = name
    return intrinsic(convert)  # type: ignore[no-any-return]


as_float32 = _conversion("as_float32", types.float32, "bitcast")
as_int32 = _conversion("as_int32", types.int32, "bitcast")
as_uint32 = _conversion("as_uint32", types.uint32, "bitcast")
int_to_float32 = _conversion("int_to_float32", types.float32, "sitofp")
float_to_int32 = _conversion("float_to_int32", types.int32, "fptosi")
float32_to_64 = _conversion("float32_to_64", types.float64, "fpext")
float64_to_32 = _conversion("float64_to_32", types.float32, "fptrunc")
int32_to_64 = _conversion("int32_to_64", types.int64, "sext")
uint32_to_64 = _conversion("uint32_to_64", types.uint64, "zext")
int64_to_32 = _conversion("int64_to_32", types.int32, "trunc")
int64_to_float64 = _conversion("int64_to_float64", types.float64, "sitofp")
low_word = _conversion("low_word", types.uint32, "trunc")
low_byte = _conversion("low_byte", types.uint8, "trunc")
