"""States as trees: NamedTuples and tuples hold other parts, everything else is a leaf."""

from collections.abc import Callable, Iterator
from typing import Any

from sim.foundations.files.text import counted


def is_record(node: Any) -> bool:
    """Whether a node is a NamedTuple."""
    return isinstance(node, tuple) and hasattr(node, "_fields")


def parts_of(node: Any) -> Iterator[tuple[str, Any]]:
    """Yield names and values of what a node holds: fields of a NamedTuple, numbers in a tuple."""
    names = node._fields if is_record(node) else map(str, range(len(node)))
    return zip(names, node, strict=True)


def leaves(node: Any, name: str = "") -> Iterator[tuple[str, Any]]:
    """Yield every leaf with its dotted name."""
    if not isinstance(node, tuple):
        yield name, node
        return
    for part, value in parts_of(node):
        yield from leaves(value, dotted_name(name, part))


def lengths(node: Any, name: str = "") -> Iterator[tuple[str, int]]:
    """Yield the length of every plain tuple with its dotted name."""
    if not isinstance(node, tuple):
        return
    if not is_record(node):
        yield name, len(node)
    for part, value in parts_of(node):
        yield from lengths(value, dotted_name(name, part))


def grown(form: Any, length_of: Callable[[str], int], leaf_of: Callable[[str], Any],
          name: str = "") -> Any:  # fmt: skip
    """Return a tree of the same form with other leaves, its plain tuples of other lengths.

    What a tuple holds beyond its form has the form of its last part.
    """
    if is_record(form):
        each = (grown(v, length_of, leaf_of, dotted_name(name, k)) for k, v in parts_of(form))
        return type(form)(*each)
    if isinstance(form, tuple):
        forms = [form[min(i, len(form) - 1)] for i in range(length_of(name))]
        return tuple(
            grown(v, length_of, leaf_of, dotted_name(name, str(i))) for i, v in enumerate(forms)
        )
    return leaf_of(name)


def misfit(form: Any, node: Any, name: str = "") -> str | None:
    """Return where a tree is not of a form, in words; None if it is of it."""
    if is_record(form) or is_record(node):
        if type(form) is not type(node):
            return f"{name} must be {kind(form)}, got {kind(node)}"
        pairs = zip(parts_of(form), node, strict=True)
        found = (misfit(v, given, dotted_name(name, k)) for (k, v), given in pairs)
        return next((each for each in found if each), None)
    if isinstance(form, tuple) or isinstance(node, tuple):
        if not (isinstance(form, tuple) and isinstance(node, tuple)):
            return f"{name} must be {kind(form)}, got {kind(node)}"
        if node and not form:
            return f"{name} must be empty, got {counted(len(node), 'part')}"
        found = (
            misfit(form[min(i, len(form) - 1)], given, dotted_name(name, str(i)))
            for i, given in enumerate(node)
        )
        return next((each for each in found if each), None)
    return None


def dotted_name(name: str, part: str) -> str:
    """Return the dotted name of a part."""
    return f"{name}.{part}" if name else part


def kind(node: Any) -> str:
    """Return what a node is, in words."""
    return "None" if node is None else f"a {type(node).__name__}"
