"""Where spots are in their windows, and what is read from their sums."""

import numpy as np
from numpy.typing import NDArray

from sim.camera.equivalent_noise import NoiseTable
from sim.estimators.reading import judged
from sim.ports import Array, SpotStatus

BEYOND = 255


def spot_paths(
    position: Array, history: Array, shift: Array, at_ticks: Array, delay_ticks: Array,
    scale: float, origin: Array,
) -> None:  # fmt: skip
    """Fill in where each spot is in its window, sample by sample of the exposure.

    Parameters
    ----------
    position : (S, 2, M) ndarray
        Filled. [px]
    history : (N + 1, 2, M) ndarray
        Tilt at tick edges, straight in between. [rad]
    shift : (N + 1, 2) ndarray
        Shift of the camera against the mirrors, as tilt. [rad]
    at_ticks : (S,) ndarray
        When the samples are, for an exposure that starts with the frame. [tick]
    delay_ticks : (M,) ndarray
        How much later each mirror's exposure starts; beyond the last edge its value holds. Empty
        if all start with the frame. [tick]
    scale : float
        [px/rad]
    origin : (2, M) ndarray
        First pixel of each window. [px]
    """
    last = len(history) - 1
    if not len(delay_ticks):
        delay_ticks = np.zeros(history.shape[2])
    at = np.minimum(at_ticks[:, None] + delay_ticks, last)  # (S, M)
    n = np.minimum(at.astype(np.int64), last - 1)
    mirror = np.arange(history.shape[2])
    part = (at - n)[:, None, :]
    edges = history + shift[:, :, None]
    before = edges[n, :, mirror].transpose(0, 2, 1)
    after = edges[n + 1, :, mirror].transpose(0, 2, 1)
    position[...] = scale * ((1.0 - part) * before + part * after) - origin


def centres(
    spot: Array, flux: Array, status: NDArray[np.uint8], sums: NDArray[np.int64], height: int,
    width: int, min_flux: float, edge: float,
) -> None:  # fmt: skip
    """Turn the sums of frames into readings, as the thresholded centroid does.

    Parameters
    ----------
    spot : (2, M) ndarray
        Filled; NaN where the status is not OK. [px]
    flux : (M,) ndarray
        Filled. [DN]
    status : (M,) ndarray of uint8
        Filled.
    sums : (3, M) ndarray of int64
        Sum, x-weighted and y-weighted sum above the threshold.
    height, width : int
        Of the windows. [px]
    min_flux : float
        Least sum of a spot. [DN]
    edge : float
        Least distance of a spot from the outermost pixels' centres. [px]
    """
    flux[...] = sums[0]
    found = np.full((len(flux), 2), np.nan)
    np.divide(sums[1:].T, flux[:, None], out=found, where=flux[:, None] > 0)
    reading = judged(
        found, flux, light_dn=flux, shape=(height, width), min_flux_dn=min_flux, edge_px=edge
    )
    spot[...], status[...] = reading.spot_px.T, reading.status


def draw_readings(
    spot: Array, flux: Array, status: NDArray[np.uint8], position: Array, z: NDArray[np.float32],
    table: NoiseTable, height: int, width: int,
) -> None:  # fmt: skip
    """Draw readings from a table of bias and covariance instead of making images.

    Parameters
    ----------
    spot, flux, status
        Filled as by `centres`; the status is `BEYOND` where the table does not cover a spot.
    position : (S, 2, M) ndarray
        Path of each spot over the exposure, in its window; its mean is what is read. [px]
    z : (1, 2, M) ndarray of float32
        Standard normals.
    table : NoiseTable
        Linear between its places, and the same in every pixel.
    height, width : int
        Of the windows. [px]
    """
    nodes = len(table.bias_px)
    mean = position.sum(axis=0) / len(position)
    last = np.array([width - 1.0, height - 1.0])[:, None]
    beyond = ~((mean >= table.margin_px) & (mean <= last - table.margin_px)).all(axis=0)
    safe = np.where(beyond, 0.0, mean)
    at = (safe - np.floor(safe + 0.5) + 0.5) * nodes
    low = np.minimum(at.astype(np.int64), nodes - 1)
    part = at - low
    high = (low + 1) % nodes
    values = np.concatenate([table.bias_px, table.root_px], axis=2)
    upper = (1.0 - part[0, :, None]) * values[low[1], low[0]] + part[0, :, None] * values[
        low[1], high[0]
    ]
    lower = (1.0 - part[0, :, None]) * values[high[1], low[0]] + part[0, :, None] * values[
        high[1], high[0]
    ]
    bias_x, bias_y, xx, yx, yy = ((1.0 - part[1, :, None]) * upper + part[1, :, None] * lower).T
    z64 = z[0].astype(np.float64)
    spot[0] = mean[0] + bias_x + xx * z64[0]
    spot[1] = mean[1] + bias_y + (yx * z64[0] + yy * z64[1])
    spot[:, beyond] = np.nan
    flux[...] = table.light_dn
    status[...] = np.where(beyond, BEYOND, SpotStatus.OK)
