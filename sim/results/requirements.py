"""What the loops of a switch are required to keep from their limits of stability."""

from typing import Annotated

from pydantic import Field

from sim.params import Block, Positive


class RequirementsParams(Block):
    """Margins that every loop must have; the defaults are common practice, of no standard."""

    max_sensitivity: Annotated[float, Field(gt=1)] = 1.7
    """Largest Ms, the peak of |S|. [-]"""
    gain_margin_db: Positive = 6.0
    """Smallest gain margin. [dB]"""
    phase_margin_deg: Positive = 30.0
    """Smallest phase margin. [deg]"""
