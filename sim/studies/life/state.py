"""Everything that changes in a life, in one record."""

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.foundations.ports import Array
from sim.studies.life.plant import Index


class State(NamedTuple):
    """Everything that changes. M mirrors, C connections."""

    time_s: float
    slow: tuple[Any, ...]
    """Of each disturbance."""
    outputs: Index
    """(C,) place of each input's output."""
    offset_rad: Array
    """(M, 2) believed aim minus that which couples best. [rad]"""
    table_rad: Array
    """(M, 2) the part of it that a new connection of the mirror would have too. [rad]"""
    calibration: Array
    """(M, 2) believed over true tilt per volt. [-]"""
    share: Array
    """(M, 2) of the whole drive, as last changed. [-]"""
    charged: tuple[Array, ...]
    """(K, M, 2) how far each part of each response to the drive has come, as a share of it. [-]"""
    peakings: int
    """How often all beams were aimed anew."""
    connectors_db: Array
    """(2, C) of input and of output (by its place). [dB]"""
    matings: Index
    """(2, C) [-]"""
    effective_h: float
    """Age at the reference temperature, for the loss of mirrors and ports. [h]"""
    lamp_h: float
    """The same of the lamp, for its dimming. [h]"""
    light: float
    """Share of the first light; 0 while the lamp is out. [-]"""
    boards: NDArray[np.bool_]
    """(M,) whose board works."""
    correction_rad: Array
    """(M, 2) as the loops last left it. [rad]"""
    error_rad: Array
    """(M, 2) tilt minus that which couples best. [rad]"""
