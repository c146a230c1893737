"""Between lanes and arrays."""

from collections.abc import Callable
from typing import Any

from llvmlite import ir
from numba import types
from numba.core import cgutils
from numba.core.errors import TypingError
from numba.extending import intrinsic

from sim.kernels.vectors.vector import LLVM, Lanes, N, spread_over, vector


def _lanes_of(array: Any, count: int) -> Lanes:
    """Type of lanes from an array; their items must be neighbours."""
    if array.layout != "C":
        raise TypingError(f"lanes need a C-contiguous array, got {array}")
    return Lanes(array.dtype, count)


def _check(array: Any, lanes: Any) -> None:
    if not isinstance(lanes, Lanes) or _lanes_of(array, lanes.count) != lanes:
        raise TypingError(f"{lanes} cannot be written to {array}")


def _place(
    context: Any, builder: Any, kind: Any, array: Any, at: Any, at_kind: Any, count: int
) -> Any:
    """Address of an item as that of a vector."""
    view = context.make_array(kind)(context, builder, array)
    indices = cgutils.unpack_tuple(builder, at) if isinstance(at_kind, types.BaseTuple) else [at]
    item = cgutils.get_item_pointer(context, builder, kind, view, indices, wraparound=False)
    return builder.bitcast(item, vector(kind.dtype, count).as_pointer())


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
            return spread_over(builder, value, args[0], count)

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
            kind = vector(array.dtype, count)
            with builder.if_else(_full(builder, args[2], count)) as (whole, part):
                with whole:
                    all_of_them = builder.load(place, align=_bytes(array.dtype))
                    after_whole = builder.basic_block
                with part:
                    spare = cgutils.alloca_once(builder, kind)
                    builder.store(ir.Constant(kind, None), spare)
                    _copied(builder, place, spare, array.dtype, args[2])
                    some_of_them = builder.load(spare)
                    after_part = builder.basic_block
            lanes = builder.phi(kind)
            lanes.add_incoming(all_of_them, after_whole)
            lanes.add_incoming(some_of_them, after_part)
            return lanes

        return _lanes_of(array, count)(array, at, some), codegen

    return load_some  # type: ignore[no-any-return]


spread, load, load_some = _spreading(N), _loading(N), _loading_some(N)
spread_8, load_8, load_some_8 = _spreading(8), _loading(8), _loading_some(8)


@intrinsic
def take(typingctx: Any, counter: Any) -> Any:
    """Add one to a counter (1,) that threads share, and return what it was; all in one step."""

    def codegen(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        data = context.make_array(counter)(context, builder, args[0]).data
        one = ir.Constant(ir.IntType(64), 1)
        return builder.atomic_rmw("add", data, one, "seq_cst")

    return types.int64(counter), codegen


@intrinsic
def seen(typingctx: Any, counter: Any) -> Any:
    """Return a counter (1,) that threads share; what they wrote before counting is seen as well."""

    def codegen(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        data = context.make_array(counter)(context, builder, args[0]).data
        return builder.load_atomic(data, "acquire", 8)

    return types.int64(counter), codegen


@intrinsic
def store(typingctx: Any, array: Any, at: Any, lanes: Any) -> Any:
    """Write lanes to items of an array."""

    def codegen(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        place = _place(context, builder, array, args[0], args[1], at, lanes.count)
        builder.store(args[2], place, align=_bytes(array.dtype))
        return context.get_dummy_value()

    _check(array, lanes)
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

    _check(array, lanes)
    return types.none(array, at, some, lanes), codegen
