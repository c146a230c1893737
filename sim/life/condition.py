"""What years have made of a switch, for a run that starts late in its life."""

from typing import NamedTuple

from sim.foundations.ports import Array


class Condition(NamedTuple):
    """M mirrors, C connections, at the start of a run."""

    alignment_rad: Array
    """(M, 2) believed aim minus that which couples best. [rad]"""
    calibration_ratio: Array
    """(M, 2) believed over true tilt per volt at the drive's first gain. [-]"""
    gained_db: Array
    """(C,) what the connections have gained in loss beside pointing. [dB]"""
