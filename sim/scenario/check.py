"""Faults of a scenario in the user's own words: key, rule, value, nearest known name."""

from collections.abc import Callable, Mapping, Sequence
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from sim.foundations.errors import ScenarioError, nearest

B = TypeVar("B", bound=BaseModel)
LONGEST_SHOWN = 120
MOST_NAMED = 15
"""A block of so many settings lists them beside one that it does not know."""
MOST_FAULTS = 20
"""Lines in one message."""


def check_block(
    model: type[B],
    tree: Mapping[str, Any],
    where: str,
    overrides: Sequence[str] = (),
    *,
    key: str = "",
) -> B:
    """Return the checked block, or raise ScenarioError naming every fault.

    Parameters
    ----------
    model : type of BaseModel
        The block.
    tree : mapping
        What the user wrote.
    where : str
        File; starts each line of the message. Empty if the caller does not know it.
    overrides : sequence of str
        "key.key=value" options that went into the tree; a fault of theirs is called theirs.
    key : str
        Place of the block in the scenario; empty for the whole.
    """
    try:
        return model.model_validate(tree)
    except ValidationError as exc:
        found: dict[str, None] = {}
        errors = exc.errors()
        for done, error in enumerate(errors):
            if len(found) == MOST_FAULTS:
                found[f"{where or model.__name__}: and {len(errors) - done} more"] = None
                break
            found[_fault(model, error, tree, key, lambda at: blamed(at, overrides) or where)] = None
        raise ScenarioError("\n".join(found)) from exc


def blamed(key: str, overrides: Sequence[str]) -> str:
    """Return the last `--set` that set the value of a key, or "" if the file did."""
    at = key.split(".") if key else []
    for override in reversed(overrides):
        path = override.partition("=")[0].strip().split(".")
        if path[-1] == "kind":
            path = path[:-1]  # it took all settings of the old kind away
        if at[: len(path)] == path or (at and path[: len(at)] == at):
            cut = "..." if len(override) > LONGEST_SHOWN else ""
            return f"--set {override[:LONGEST_SHOWN]}{cut}"
    return ""


def blame_lines(text: str, where: str, overrides: Sequence[str] = ()) -> str:
    """Put the file, or the option that is to blame, before each line that starts with a key."""
    named = (where, "--")
    return "\n".join(
        line
        if line.startswith(named)
        else f"{blamed(line.partition(':')[0], overrides) or where}: {line}"
        for line in text.splitlines()
    )


def _fault(
    model: type[BaseModel], error: Any, tree: Any, under: str, blame: Callable[[str], str]
) -> str:
    below = written_key(error["loc"], tree, missing=error["type"] == "missing")
    key = ".".join([*([under] if under else []), *map(str, below)])
    return ": ".join(part for part in (blame(key), key, _rule(model, error)) if part)


def _rule(model: type[BaseModel], error: Any) -> str:
    rule = error["msg"].removeprefix("Value error, ")
    if error["type"] == "missing":
        return "required, but missing"
    if error["type"] == "extra_forbidden":
        known = _fields_at(model, error["loc"][:-1])
        hint = nearest(str(error["loc"][-1]), known)
        few = f" Known: {', '.join(known)}." if 0 < len(known) <= MOST_NAMED else ""
        return f"unknown key{'.' if hint or few else ''}{hint}{few}"
    if error["type"] == "value_error" and isinstance(error["input"], dict):
        return rule
    return f"{rule} (got {brief(error['input'])})"


def brief(value: Any) -> str:
    """Return a value as Python writes it, cut where it is long."""
    try:
        text = repr(value)
    except (ValueError, RecursionError):  # a whole number of thousands of digits
        return "a value too long to show"
    return text if len(text) <= LONGEST_SHOWN else f"{text[:LONGEST_SHOWN]}..."


def written_key(location: Sequence[Any], tree: Any, *, missing: bool) -> list[Any]:
    """Return the part of a location that the user wrote.

    The checks put names of a union's branches in between; what leads nowhere in the user's own
    tree is such a name. What is missing leads nowhere either, and is the last part.
    """
    key: list[Any] = []
    at = tree
    for i, part in enumerate(location):
        inside = (isinstance(at, Mapping) and part in at) or (
            isinstance(at, list | tuple) and isinstance(part, int) and part < len(at)
        )
        if inside:
            at = at[part]
            key.append(part)
        elif missing and i == len(location) - 1:
            key.append(part)
    return key


def _fields_at(model: Any, location: Sequence[Any]) -> list[str]:
    """Names of the fields of the block that a location leads to, as far as it can be followed."""
    blocks = [model]
    for part in location:
        found = []
        for block in blocks:
            field = getattr(block, "model_fields", {}).get(part)
            found += _blocks_in(field.annotation) if field is not None else []
        blocks = found or [b for b in blocks if _is_branch(b, part)] or blocks
    return sorted({name for block in blocks for name in getattr(block, "model_fields", {})})


def _is_branch(block: Any, tag: Any) -> bool:
    """Whether a block is the branch of a union that a tag names, by the constant that it holds."""
    fields = getattr(block, "model_fields", {}).values()
    return any(tag in getattr(field.annotation, "__args__", ()) for field in fields)


def _blocks_in(annotation: Any) -> list[Any]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [b for part in getattr(annotation, "__args__", ()) for b in _blocks_in(part)]
