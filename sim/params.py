"""The base of every parameter block: frozen, checked, and closed to unknown keys."""

from typing import Annotated, Any, Self

from pydantic import BaseModel, ConfigDict, Field


class Block(BaseModel):
    """Immutable, checked settings; an unknown key is an error."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", allow_inf_nan=False, use_attribute_docstrings=True
    )

    def replace(self, **changes: Any) -> Self:
        """Return a copy with `changes`, checked again."""
        return type(self).model_validate(self.model_dump() | changes)


Positive = Annotated[float, Field(gt=0)]
NonNegative = Annotated[float, Field(ge=0)]
Fraction = Annotated[float, Field(ge=0, le=1)]
Count = Annotated[int, Field(ge=1)]
PairXY = tuple[float, float]
"""A value for each axis, in the order (x, y)."""
PositiveXY = tuple[Positive, Positive]
