"""The floating-point numbers of any state, mirror by mirror: read, and put back changed."""

from collections.abc import Iterator
from dataclasses import fields, is_dataclass, replace
from typing import Any

import numpy as np

from sim.foundations.ports import Array


def state_numbers(state: Any, m: int) -> Array:
    """Return every floating-point number of a state for M mirrors, (M, n), in a fixed order.

    An array whose first axis has M entries is shared out among the mirrors; any other number is
    the same for all.
    """
    leaves = []
    for leaf in _leaves(state):
        array = np.asarray(leaf, dtype=float)
        own = array.ndim > 0 and array.shape[0] == m
        leaves.append(array.reshape(m, -1) if own else np.tile(array.reshape(1, -1), (m, 1)))
    return np.concatenate(leaves, axis=1) if leaves else np.zeros((m, 0))


def with_numbers(state: Any, numbers: Array) -> Any:
    """Return the state with its floating-point numbers replaced by (M, n); see `state_numbers`."""
    m, used = len(numbers), 0

    def rebuilt(part: Any) -> Any:
        nonlocal used
        if isinstance(part, np.ndarray | np.generic):
            if not np.issubdtype(part.dtype, np.floating):
                return part
            own = np.shape(part)[:1] == (m,)
            size = int(np.size(part)) // (m if own else 1)
            new = numbers[:, used : used + size] if own else numbers[0, used : used + size]
            used += size
            return new.reshape(np.shape(part)).astype(part.dtype)
        if isinstance(part, float):
            used += 1
            return float(numbers[0, used - 1])
        children = _children(part)
        if children is None:
            return part
        new_children = {key: rebuilt(child) for key, child in children.items()}
        if isinstance(part, dict):
            return new_children
        if is_dataclass(part) and not isinstance(part, type):
            return replace(part, **new_children)
        if hasattr(part, "_fields"):
            return type(part)(*new_children.values())
        return type(part)(new_children.values())

    return rebuilt(state)


def _leaves(state: Any) -> Iterator[Any]:
    if isinstance(state, np.ndarray | np.generic):
        if np.issubdtype(state.dtype, np.floating):
            yield state
    elif isinstance(state, float):
        yield state
    elif (children := _children(state)) is not None:
        for child in children.values():
            yield from _leaves(child)


def _children(state: Any) -> dict[Any, Any] | None:
    """Return what a state is made of, by name or place; None if it cannot be looked into."""
    if isinstance(state, dict):
        return state
    if is_dataclass(state) and not isinstance(state, type):
        return {f.name: getattr(state, f.name) for f in fields(state)}
    if isinstance(state, tuple | list):
        return dict(enumerate(state))
    return None
