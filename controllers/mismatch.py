"""The error that every controller works on, and which mirrors were read at all."""

import numpy as np
from numpy.typing import NDArray

from sim.foundations.ports import Array, Setpoint, SpotStatus, TiltReading

OK = np.uint8(SpotStatus.OK)


def mismatch(reading: TiltReading, setpoint: Setpoint) -> tuple[Array, NDArray[np.bool_]]:
    """Return what the tilt lacks, and where that is known.

    An axis counts as lost if its mirror's status is not OK, and also if its tilt is not finite in
    spite of an OK status: one bad number from an outside estimator must not stay in an integrator.

    Parameters
    ----------
    reading : TiltReading
        Measured mechanical tilt, averaged over the exposure. [rad]
    setpoint : Setpoint
        Expected tilt over the same exposure. [rad]

    Returns
    -------
    error_rad : (M, 2) ndarray
        Reference minus tilt; 0 where lost. [rad]
    seen : (M, 2) ndarray of bool
        False where lost.
    """
    error_rad = setpoint.reference_rad - reading.tilt_rad
    seen = (reading.status == OK)[:, None] & np.isfinite(error_rad)
    return np.where(seen, error_rad, 0.0), seen
