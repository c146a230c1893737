"""Sixteen numbers at a time: vectors of fixed length for compiled kernels.

A kernel that works on `Lanes` is vectorised as it is written, on every processor: the compiler's
back end splits the lanes into the registers that there are. Each operation rounds as the same
operation on single numbers does, so the bits do not depend on the instruction set. Operators take
lanes with lanes, or with one number of the same type.

Sixteen are loaded at a time. Two such can be joined for a stretch of arithmetic, so that the
processor always finds an operation that need not wait for the one before it. Eight are for
arithmetic whose many numbers would not fit into the registers otherwise.
"""

import operator
from collections.abc import Callable, Iterable
from typing import Any

from llvmlite import ir
from numba import types
from numba.core import cgutils
from numba.core.errors import TypingError
from numba.core.typing.templates import AbstractTemplate, infer_global, signature
from numba.extending import intrinsic, lower_builtin, models, register_model

N = 16
"""Lanes that are loaded at a time, and mirrors in a block."""
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


def _vector(dtype: Any, count: int = N) -> ir.VectorType:
    return ir.VectorType(LLVM[dtype], count)


@register_model(Lanes)
class LanesModel(models.PrimitiveModel):
    """Lanes are an LLVM vector."""

    def __init__(self, dmm: Any, fe_type: Any) -> None:
        super().__init__(dmm, fe_type, _vector(fe_type.dtype, fe_type.count))


def _order(places: Iterable[int]) -> Any:
    """Which lanes to take, as a constant."""
    chosen = list(places)
    return ir.Constant(ir.VectorType(WORD, len(chosen)), chosen)


def _spread(builder: Any, dtype: Any, value: Any, count: int = N) -> Any:
    undefined = ir.Constant(_vector(dtype, count), ir.Undefined)
    first = builder.insert_element(undefined, value, ir.Constant(WORD, 0))
    return builder.shuffle_vector(first, undefined, _order([0] * count))


def _as_lanes(builder: Any, kind: Any, value: Any, lanes: Lanes) -> Any:
    """Spread a value unless it is lanes."""
    return value if isinstance(kind, Lanes) else _spread(builder, lanes.dtype, value, lanes.count)


def _common(kinds: Iterable[Any]) -> Lanes | None:
    """Type of the lanes among some types, if the others can go with them."""
    lanes = next((kind for kind in kinds if isinstance(kind, Lanes)), None)
    if lanes is None or not all(kind in (lanes, lanes.dtype) for kind in kinds):
        return None
    return lanes


def _operator(
    op: Any, of_floats: str | None, of_signed: str | None = None, of_unsigned: str | None = None
) -> None:
    """Let an operator take lanes; the names are those of LLVM's instructions."""

    @infer_global(op)
    class _Typing(AbstractTemplate):
        def generic(self, args: Any, kws: Any) -> Any:
            lanes = _common(args)
            return None if lanes is None else signature(lanes, *args)

    def lower(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        lanes = sig.return_type
        dtype = lanes.dtype
        a, b = (
            _as_lanes(builder, kind, value, lanes)
            for kind, value in zip(sig.args, args, strict=True)
        )
        if isinstance(dtype, types.Float):
            name = of_floats
        else:
            name = of_signed if dtype.signed else of_unsigned
        assert name is not None
        return getattr(builder, name)(a, b)

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


def _lanes_of(array: Any, count: int) -> Lanes:
    """Type of lanes from an array; their items must be neighbours."""
    if array.layout != "C":
        raise TypingError(f"lanes need a C-contiguous array, got {array}")
    return Lanes(array.dtype, count)


def _place(
    context: Any, builder: Any, kind: Any, array: Any, at: Any, at_kind: Any, count: int
) -> Any:
    """Address of an item as that of a vector."""
    view = context.make_array(kind)(context, builder, array)
    indices = cgutils.unpack_tuple(builder, at) if isinstance(at_kind, types.BaseTuple) else [at]
    item = cgutils.get_item_pointer(context, builder, kind, view, indices, wraparound=False)
    return builder.bitcast(item, _vector(kind.dtype, count).as_pointer())


def _bytes(dtype: Any) -> int:
    return int(dtype.bitwidth) // 8


def _copied(builder: Any, source: Any, target: Any, dtype: Any, count: Any) -> None:
    """Copy some items, one by one."""
    single = LLVM[dtype].as_pointer()
    source, target = builder.bitcast(source, single), builder.bitcast(target, single)
    with cgutils.for_range(builder, count) as loop:
        item = builder.load(builder.gep(source, [loop.index]))
        builder.store(item, builder.gep(target, [loop.index]))


def _full(builder: Any, some: Any, count: int) -> Any:
    return builder.icmp_signed(">=", some, ir.Constant(some.type, count))


def _spreading(count: int) -> Callable[..., Any]:
    @intrinsic
    def spread(typingctx: Any, value: Any) -> Any:
        """Return lanes that all hold `value`."""

        def codegen(context: Any, builder: Any, sig: Any, args: Any) -> Any:
            return _spread(builder, value, args[0], count)

        return Lanes(value, count)(value), codegen

    return spread  # type: ignore[no-any-return]


def _loading(count: int) -> Callable[..., Any]:
    @intrinsic
    def load(typingctx: Any, array: Any, at: Any) -> Any:
        """Return items of an array, the first at index `at`; the last axis is contiguous."""

        def codegen(context: Any, builder: Any, sig: Any, args: Any) -> Any:
            place = _place(context, builder, array, args[0], args[1], at, count)
            return builder.load(place, align=_bytes(array.dtype))

        return _lanes_of(array, count)(array, at), codegen

    return load  # type: ignore[no-any-return]


def _loading_some(count: int) -> Callable[..., Any]:
    @intrinsic
    def load_some(typingctx: Any, array: Any, at: Any, some: Any) -> Any:
        """Return the first `some` items, zero in the other lanes."""

        def codegen(context: Any, builder: Any, sig: Any, args: Any) -> Any:
            place = _place(context, builder, array, args[0], args[1], at, count)
            vector = _vector(array.dtype, count)
            with builder.if_else(_full(builder, args[2], count)) as (whole, part):
                with whole:
                    all_of_them = builder.load(place, align=_bytes(array.dtype))
                    after_whole = builder.basic_block
                with part:
                    spare = cgutils.alloca_once(builder, vector)
                    builder.store(ir.Constant(vector, None), spare)
                    _copied(builder, place, spare, array.dtype, args[2])
                    some_of_them = builder.load(spare)
                    after_part = builder.basic_block
            lanes = builder.phi(vector)
            lanes.add_incoming(all_of_them, after_whole)
            lanes.add_incoming(some_of_them, after_part)
            return lanes

        return _lanes_of(array, count)(array, at, some), codegen

    return load_some  # type: ignore[no-any-return]


spread, load, load_some = _spreading(N), _loading(N), _loading_some(N)
spread_8, load_8, load_some_8 = _spreading(8), _loading(8), _loading_some(8)


@intrinsic
def store(typingctx: Any, array: Any, at: Any, lanes: Any) -> Any:
    """Write lanes to items of an array."""

    def codegen(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        place = _place(context, builder, array, args[0], args[1], at, lanes.count)
        builder.store(args[2], place, align=_bytes(array.dtype))
        return context.get_dummy_value()

    assert lanes.dtype == _lanes_of(array, lanes.count).dtype
    return types.none(array, at, lanes), codegen


@intrinsic
def store_some(typingctx: Any, array: Any, at: Any, some: Any, lanes: Any) -> Any:
    """Write the first `some` lanes."""

    def codegen(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        place = _place(context, builder, array, args[0], args[1], at, lanes.count)
        with builder.if_else(_full(builder, args[2], lanes.count)) as (whole, part):
            with whole:
                builder.store(args[3], place, align=_bytes(array.dtype))
            with part:
                spare = cgutils.alloca_once_value(builder, args[3])
                _copied(builder, spare, place, array.dtype, args[2])
        return context.get_dummy_value()

    assert lanes.dtype == _lanes_of(array, lanes.count).dtype
    return types.none(array, at, some, lanes), codegen


def _call(builder: Any, name: str, args: Any) -> Any:
    """Call one of LLVM's elementwise functions of floating-point lanes."""
    vector = args[0].type
    suffix = "f32" if vector.element == LLVM[types.float32] else "f64"
    function = cgutils.get_or_insert_function(
        builder.module,
        ir.FunctionType(vector, [vector] * len(args)),
        f"llvm.{name}.v{vector.count}{suffix}",
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
    lanes = _common((a, b, c))
    if lanes is None:
        raise TypingError(f"fma needs lanes and numbers of one type, got {a}, {b}, {c}")

    def codegen(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        values = [
            _as_lanes(builder, kind, value, lanes)
            for kind, value in zip(sig.args, args, strict=True)
        ]
        return _call(builder, "fma", values)

    return lanes(a, b, c), codegen


@intrinsic
def join(typingctx: Any, first: Any, second: Any) -> Any:
    """Return the lanes of two, one after the other."""

    def codegen(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        return builder.shuffle_vector(*args, _order(range(2 * first.count)))

    return Lanes(first.dtype, 2 * first.count)(first, second), codegen


@intrinsic
def interleave(typingctx: Any, first: Any, second: Any) -> Any:
    """Return the lanes of two in turn."""

    def codegen(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        order = _order(i + side * first.count for i in range(first.count) for side in (0, 1))
        return builder.shuffle_vector(*args, order)

    return Lanes(first.dtype, 2 * first.count)(first, second), codegen


def _half(name: str, which: int) -> Callable[..., Any]:
    """Return the choice of half of the lanes."""

    def half(typingctx: Any, x: Any) -> Any:
        count = x.count // 2

        def codegen(context: Any, builder: Any, sig: Any, args: Any) -> Any:
            chosen = _order(range(which * count, (which + 1) * count))
            return builder.shuffle_vector(args[0], args[0], chosen)

        return Lanes(x.dtype, count)(x), codegen

    half.__name__ = name
    return intrinsic(half)  # type: ignore[no-any-return]


first_half = _half("first_half", 0)
second_half = _half("second_half", 1)


def _conversion(name: str, dtype: Any, instruction: str) -> Callable[..., Any]:
    """Return a conversion of lanes to another type by one of LLVM's instructions."""

    def convert(typingctx: Any, x: Any) -> Any:
        def codegen(context: Any, builder: Any, sig: Any, args: Any) -> Any:
            return getattr(builder, instruction)(args[0], _vector(dtype, x.count))

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


lesser = _chosen("lesser", "<")
greater = _chosen("greater", ">")


@intrinsic
def where_above(typingctx: Any, a: Any, b: Any, x: Any, y: Any) -> Any:
    """Return the lanes of `x` where `a > b`, else of `y`; any of them may be one number."""
    compared, chosen = _common((a, b)), _common((x, y))
    if compared is None or chosen is None:
        raise TypingError(f"where_above needs two pairs of lanes, got {a}, {b}, {x}, {y}")

    def codegen(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        of = (compared, compared, chosen, chosen)
        first, second, yes, no = (
            _as_lanes(builder, kind, value, lanes)
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
