"""The rolling shutter: rows of the sensor start one after the other, so mirrors do as well."""

import numpy as np

from sim.ports import Array


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


def sampled(edges: Array, weights: Array, delay_ticks: Array) -> Array:
    """Return what each mirror's exposure sees of a quantity, sample by sample.

    Parameters
    ----------
    edges : (N + 1, 2, M) ndarray
        The quantity at tick edges, straight in between.
    weights : (S, N + 1) ndarray
        Tick edges to samples of an exposure that starts with the frame; rows sum to one.
    delay_ticks : (M,) ndarray
        How much later each mirror's exposure starts. Samples beyond the last edge take its value.

    Returns
    -------
    (S, 2, M) ndarray
    """
    last = len(edges) - 1
    at = np.minimum((weights @ np.arange(last + 1.0))[:, None] + delay_ticks, last)  # (S, M)
    n = np.minimum(at.astype(np.int64), last - 1)
    mirror = np.arange(edges.shape[2])
    part = (at - n)[:, None, :]
    before = edges[n, :, mirror].transpose(0, 2, 1)
    after = edges[n + 1, :, mirror].transpose(0, 2, 1)
    return np.ascontiguousarray((1.0 - part) * before + part * after)
