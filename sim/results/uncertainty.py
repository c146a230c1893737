"""How far the true switch may be from its description: what gains should bear all at once."""

from typing import Annotated

from pydantic import Field

from sim.foundations.params import Block, NonNegative


class UncertaintyParams(Block):
    """Ranges about the description, the same way for all mirrors at once; of no standard.

    The spread of the population, and the calibration error, come on top: they are in [mirror] and
    [drive].

    Valid for ranges within which the plant stays of one kind: resonance and gain keep more than
    half of their size, the delay differs by a frame or so.
    """

    resonance_pct: Annotated[float, Field(ge=0, le=50)] = 5.0
    """All resonances may be so much higher or lower. [%]"""
    quality_pct: Annotated[float, Field(ge=0, le=90)] = 20.0
    """All quality factors may be so much higher or lower. [%]"""
    gain_pct: Annotated[float, Field(ge=0, le=50)] = 5.0
    """All tilts per volt may be so much larger or smaller than believed. [%]"""
    delay_us: NonNegative = 50.0
    """Corrections may act so much sooner or later; taken to whole ticks of the drive. [us]"""
    populations: Annotated[int, Field(ge=1, le=20)] = 2
    """Populations: the described one, and others drawn from the seeds that follow. [-]"""
