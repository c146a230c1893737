"""The rolling shutter: rows of the sensor start one after the other, so mirrors do as well."""

import numpy as np

from sim.foundations.ports import Array


def row_delay_s(row_s: float, centre_y_px: Array, rows: int) -> Array:
    """Return how long after the frame's start each window exposes, (M,). [s]

    One time holds for a whole window, that of its middle row: inside it, rows differ by half the
    window's height times the row time at most.

    Parameters
    ----------
    row_s : float
        Row time. [s]
    centre_y_px : (M,) ndarray
        Sensor row in the middle of each window; taken as the nearest of the sensor's rows. [px]
    rows : int
        Rows of the sensor.
    """
    return row_s * np.clip(centre_y_px, 0.0, rows - 1.0)

