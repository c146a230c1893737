"""Lanes put side by side, in turn, and apart."""

from collections.abc import Callable
from typing import Any

from numba.extending import intrinsic

from sim.kernels.vectors.vector import Lanes, order


@intrinsic
def join(typingctx: Any, first: Any, second: Any) -> Any:
    """Return the lanes of two, one after the other."""

    def codegen(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        return builder.shuffle_vector(*args, order(range(2 * first.count)))

    return Lanes(first.dtype, 2 * first.count)(first, second), codegen


@intrinsic
def interleave(typingctx: Any, first: Any, second: Any) -> Any:
    """Return the lanes of two in turn."""

    def codegen(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        in_turn = (i + side * first.count for i in range(first.count) for side in (0, 1))
        return builder.shuffle_vector(*args, order(in_turn))

    return Lanes(first.dtype, 2 * first.count)(first, second), codegen


def _half(name: str, which: int) -> Callable[..., Any]:
    """Return the choice of half of the lanes."""

    def half(typingctx: Any, x: Any) -> Any:
        count = x.count // 2

        def codegen(context: Any, builder: Any, sig: Any, args: Any) -> Any:
            chosen = order(range(which * count, (which + 1) * count))
            return builder.shuffle_vector(args[0], args[0], chosen)

        return Lanes(x.dtype, count)(x), codegen

    half.__name__ = name
    return intrinsic(half)  # type: ignore[no-any-return]


first_half = _half("first_half", 0)
second_half = _half("second_half", 1)
