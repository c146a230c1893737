"""What the loops of a switch are required to keep from their limits of stability."""

from typing import Annotated

from pydantic import Field

from sim.foundations.params import Block, between
from sim.mechanics.profiles.spectrum_match import RequiredCorners


class RequirementsParams(Block):
    """Margins that every loop must have; the defaults are common practice, of no standard.

    Valid for Ms above 1, which no loop with a delay stays below, up to 100; gain margins up to
    60 dB, phase margins up to 90 degrees, which an integrator without delay has.
    """

    max_sensitivity: Annotated[float, Field(gt=1, le=100)] = 1.7
    """Largest Ms, the peak of |S|. [-]"""
    gain_margin_db: Annotated[float, between(1e-6, 60.0)] = 6.0
    """Smallest gain margin. [dB]"""
    response_spectrum: RequiredCorners | None = None
    """Corners of the shock response spectrum that what shakes the base must reach; none: no such
    requirement. [-]"""
    response_quality: Annotated[float, between(0.6, 1000.0)] = 10.0
    """Quality factor of that spectrum's resonators. [-]"""
    phase_margin_deg: Annotated[float, between(1e-6, 90.0)] = 30.0
    """Smallest phase margin. [deg]"""
