"""How the firmware computes: word lengths, rounding, division."""

from typing import Annotated, Literal

from pydantic import Field, model_validator

from sim.foundations.params import Block

WordBits = Annotated[int, Field(ge=8, le=32)]
RoundingName = Literal["up", "away", "even", "floor", "zero"]


class ControllerArithmetic(Block):
    """Whole numbers for a control law: every product is summed exactly, then rounded once.

    Valid for words of 8 to 32 bits, whose sums of products fit 62 bits; that is checked for the law
    at hand, not assumed.
    """

    kind: Literal["fixed"]
    """Fixed point. [-]"""
    position_fraction: Annotated[int, Field(ge=0, le=20)] = 8
    """Bits behind the point of positions that come in; no fewer than the estimator's if that
    has fixed arithmetic too. [bit]"""
    coefficient_bits: WordBits = 16
    """Words of coefficients, sign included. [bit]"""
    state_bits: WordBits = 32
    """Words of states, of the memory of sections and of the correction, sign included. [bit]"""
    rounding: RoundingName = "up"
    """Of sums of products: "up", "away" and "even" go to the nearest and differ at ties; "floor" is
    a plain shift, "zero" a division in C. [-]"""


class EstimatorArithmetic(Block):
    """Whole numbers for a spot estimator: integer pixels in, words of positions and status out.

    Valid for windows of up to 256 x 256 pixels of 16 bit whose sums fit 61 bits; that is worked out
    for the window and the pixel's bits at hand, not assumed.
    """

    kind: Literal["fixed"]
    """Fixed point. [-]"""
    position_fraction: Annotated[int, Field(ge=1, le=16)] = 8
    """Bits behind the point of positions. [bit]"""
    position_bits: Annotated[int, Field(ge=8, le=32)] = 16
    """Words of positions, sign included; a word that cannot hold the window is refused. [bit]"""
    sum_bits: Annotated[int, Field(ge=12, le=62)] | None = None
    """Words of sums over pixels, sign included; left out: the shortest of 16, 32 and 62 that
    holds a window at full scale. [bit]"""
    overflow: Literal["refused", "saturates"] = "refused"
    """Sums that a window at full scale could take out of their word: refused with such a window,
    or cut off in the run, where such a reading is FAILED. [-]"""
    rounding: RoundingName = "up"
    """Of positions: as in a controller's arithmetic. [-]"""
    division: Literal["divider", "shift_subtract", "reciprocal"] = "divider"
    """A processor's divider and shift-and-subtract give the same bits at a different cost;
    "reciprocal" multiplies by a table's entry. [-]"""
    reciprocal_index_bits: Annotated[int, Field(ge=1, le=12)] = 8
    """The table has 2 to this number of entries. [bit]"""
    reciprocal_bits: Annotated[int, Field(ge=4, le=30)] = 16
    """Bits behind the point of an entry. [bit]"""
    newton_steps: Annotated[int, Field(ge=0, le=2)] = 0
    """Each squares the error of a reciprocal, down to its bits. [-]"""
    level_fraction: Annotated[int, Field(ge=0, le=8)] = 4
    """Bits behind the point of the background that is taken off pixels. [bit]"""
    table_bits: Annotated[int, Field(ge=4, le=16)] = 10
    """Bits behind the point of tabled weights, profiles and logarithms. [bit]"""
    table_fraction: Annotated[int, Field(ge=1, le=8)] = 4
    """Tables of weights and profiles have 2 to this number of entries per pixel. [bit]"""
    iterations: Annotated[int, Field(ge=1, le=20)] = 4
    """Steps of an estimator that iterates: always so many, so that its time is known. [-]"""

    @model_validator(mode="after")
    def _steps_are_words(self) -> "EstimatorArithmetic":
        if self.table_fraction > self.position_fraction:
            raise ValueError(
                "table_fraction must not be more than position_fraction "
                f"(got {self.table_fraction} and {self.position_fraction})"
            )
        return self
