"""The base of every parameter block: frozen, checked, and closed to unknown keys."""

import ast
import inspect
import textwrap
from itertools import pairwise
from types import NoneType
from typing import Annotated, Any, Final, Self, get_args

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Discriminator,
    Field,
    GetJsonSchemaHandler,
    Tag,
    model_validator,
)
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema

NONE: Final = "none"
"""Stands for the absence of what may be absent; TOML has no word of its own for it."""


class Block(BaseModel):
    """Immutable, checked settings; an unknown key is an error."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, defer_build=True)

    @model_validator(mode="before")
    @classmethod
    def _without(cls, values: Any) -> Any:
        if not isinstance(values, dict):
            return values
        fields = cls.model_fields.items()
        may_lack = {name for name, field in fields if NoneType in get_args(field.annotation)}
        return {k: None if k in may_lack and v == NONE else v for k, v in values.items()}

    @classmethod
    def meanings(cls) -> dict[str, str]:
        """Return what stands below each setting in the source, by the setting's name.

        Read when it is asked for: to read it for all blocks at the start takes longer than to
        make them.
        """
        found: dict[str, str] = {}
        for block in reversed(cls.__mro__):
            if issubclass(block, Block):
                found |= _below_names(block)
        return {name: text for name, text in found.items() if name in cls.model_fields}

    @classmethod
    def __get_pydantic_json_schema__(
        cls, core_schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> JsonSchemaValue:
        """Return the schema, with the meaning of each setting."""
        schema = handler(core_schema)
        properties = handler.resolve_ref_schema(schema).get("properties", {})
        for name, text in cls.meanings().items():
            properties.get(name, {}).setdefault("description", text)
        return schema

    def replace(self, **changes: Any) -> Self:
        """Return a copy with `changes`, checked again."""
        return type(self).model_validate(self.model_dump() | changes)


def _below_names(block: type[Block]) -> dict[str, str]:
    """Return the text below each name of a class's own body; nothing if its source is not there."""
    try:
        source = textwrap.dedent(inspect.getsource(block))
    except (OSError, TypeError):
        return {}
    (body,) = (node.body for node in ast.parse(source).body if isinstance(node, ast.ClassDef))
    found = {}
    for named, text in pairwise(body):
        if (
            isinstance(named, ast.AnnAssign) and isinstance(named.target, ast.Name)
            and isinstance(text, ast.Expr) and isinstance(text.value, ast.Constant)
            and isinstance(text.value.value, str)
        ):  # fmt: skip
            found[named.target.id] = inspect.cleandoc(text.value.value)
    return found


SMALLEST, LARGEST = 1e-9, 1e12
"""Ends of what any quantity may be, in the unit of its key. No quantity of a switch, in people's
units, is outside; beyond, squares and products leave what a double can hold."""


def between(low: float, high: float) -> Any:
    """Return the mark of a number within a range of validity, ends included."""
    return Field(ge=low, le=high)


def at_most(high: float) -> AfterValidator:
    """Return the mark of a number, or of a pair (x, y), that must not be larger."""

    def checked(value: Any) -> Any:
        if max(value if isinstance(value, tuple) else (value,)) > high:
            raise ValueError(f"must be {high:g} at most")
        return value

    return AfterValidator(checked)


def _sensible(value: float) -> float:
    if abs(value) > LARGEST or 0 < abs(value) < SMALLEST:
        raise ValueError(f"must be 0 or between {SMALLEST:g} and {LARGEST:g} in size")
    return value


Positive = Annotated[float, Field(gt=0), AfterValidator(_sensible)]
"""A setting above 0."""
NonNegative = Annotated[float, Field(ge=0), AfterValidator(_sensible)]
"""A setting of 0 or above."""
Signed = Annotated[float, AfterValidator(_sensible)]
"""A setting of either sign."""
Fraction = Annotated[float, Field(ge=0, le=1)]
"""A setting from 0 to 1."""
Count = Annotated[int, Field(ge=1), AfterValidator(_sensible)]
"""A whole number from 1 on."""
PairXY = tuple[Signed, Signed]
"""A value for each axis, in the order (x, y)."""
PositiveXY = tuple[Positive, Positive]


def _one_or_pair(value: Any) -> str:
    return "pair" if isinstance(value, list | tuple) else "one"


PositiveByAxis = Annotated[
    Annotated[Positive, Tag("one")] | Annotated[PositiveXY, Tag("pair")],
    Discriminator(_one_or_pair),
]
"""A setting above 0: one for both axes, or [x, y]."""
NonNegativeByAxis = Annotated[
    Annotated[NonNegative, Tag("one")] | Annotated[tuple[NonNegative, NonNegative], Tag("pair")],
    Discriminator(_one_or_pair),
]
"""A setting of 0 or above: one for both axes, or [x, y]."""
