"""How the firmware computes: word lengths, rounding, division."""

from typing import Annotated, Literal

from pydantic import Field

from sim.params import Block

WordBits = Annotated[int, Field(ge=8, le=32)]


class ControllerArithmetic(Block):
    """Whole numbers for a control law: every product is summed exactly, then rounded once.

    Valid for words of 8 to 32 bits, whose sums of products fit 62 bits; that is checked for the law
    at hand, not assumed.
    """

    kind: Literal["fixed"]
    """Fixed point. [-]"""
    position_fraction: Annotated[int, Field(ge=0, le=20)] = 8
    """Bits behind the point of positions that come in; those of the estimator if it has fixed
    arithmetic too. [bit]"""
    coefficient_bits: WordBits = 16
    """Words of coefficients, sign included. [bit]"""
    state_bits: WordBits = 32
    """Words of states, of the memory of sections and of the correction, sign included. [bit]"""
    rounding: Literal["up", "away", "even", "floor", "zero"] = "up"
    """Of sums of products: "up", "away" and "even" go to the nearest and differ at ties; "floor" is
    a plain shift, "zero" a division in C. [-]"""
