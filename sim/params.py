"""The base of every parameter block: frozen, checked, and closed to unknown keys."""

from types import NoneType
from typing import Annotated, Any, Final, Self, get_args

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Discriminator,
    Field,
    Tag,
    model_validator,
)

NONE: Final = "none"
"""Stands for the absence of what may be absent; TOML has no word of its own for it."""


class Block(BaseModel):
    """Immutable, checked settings; an unknown key is an error."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", allow_inf_nan=False, use_attribute_docstrings=True
    )

    @model_validator(mode="before")
    @classmethod
    def _without(cls, values: Any) -> Any:
        if not isinstance(values, dict):
            return values
        fields = cls.model_fields.items()
        may_lack = {name for name, field in fields if NoneType in get_args(field.annotation)}
        return {k: None if k in may_lack and v == NONE else v for k, v in values.items()}

    def replace(self, **changes: Any) -> Self:
        """Return a copy with `changes`, checked again."""
        return type(self).model_validate(self.model_dump() | changes)


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
