"""Where spots are in their windows, and what is read from their sums."""

import numpy as np
from numpy.typing import NDArray

from sim.camera.equivalent_noise import NoiseTable
from sim.camera.exposure import ReadingRule, Readings, Sampling
from sim.estimators.reading import judged
from sim.foundations.ports import Array, SpotStatus

BEYOND = 255


def spot_paths(
    position: Array, history: Array, shift: Array, sampling: Sampling, origin: Array
) -> None:
    """Fill in where each spot is in its window, sample by sample of the exposure.

    Parameters
    ----------
    position : (S, 2, M) ndarray
        Filled. [px]
    history : (N + 1, 2, M) ndarray
        Tilt at tick edges, straight in between. [rad]
    shift : (N + 1, 2) ndarray
        Shift of the camera against the mirrors, as tilt. [rad]
    sampling : Sampling
        When the samples are, and the scale.
    origin : (2, M) ndarray
        First pixel of each window. [px]
    """
    last = len(history) - 1
    delay_ticks = sampling.delay_ticks
    if not len(delay_ticks):
        delay_ticks = np.zeros(history.shape[2])
    at = np.minimum(sampling.ticks[:, None] + delay_ticks, last)  # (S, M)
    n = np.minimum(at.astype(np.int64), last - 1)
    mirror = np.arange(history.shape[2])
    part = (at - n)[:, None, :]
    edges = history + shift[:, :, None]
    before = edges[n, :, mirror].transpose(0, 2, 1)
    after = edges[n + 1, :, mirror].transpose(0, 2, 1)
    position[...] = sampling.scale_px_per_rad * ((1.0 - part) * before + part * after) - origin


def centres(readings: Readings, sums: NDArray[np.int64], rule: ReadingRule) -> None:
    """Turn the sums of frames into readings, as the thresholded centroid does.

    Parameters
    ----------
    readings : Readings
        Filled.
    sums : (3, M) ndarray of int64
        Sum, x-weighted and y-weighted sum above the threshold.
    rule : ReadingRule
        When they count.
    """
    spot, flux, status = readings
    flux[...] = sums[0]
    found = np.full((len(flux), 2), np.nan)
    np.divide(sums[1:].T, flux[:, None], out=found, where=flux[:, None] > 0)
    reading = judged(
        found, flux, light_dn=flux, shape=(rule.height, rule.width),
        min_flux_dn=rule.min_flux_dn, edge_px=rule.edge_px,
    )  # fmt: skip
    spot[...], status[...] = reading.spot_px.T, reading.status


def draw_readings(
    readings: Readings, position: Array, z: NDArray[np.float32], table: NoiseTable
) -> None:
    """Draw readings from a table of bias and covariance instead of making images.

    Parameters
    ----------
    readings : Readings
        Filled as by `centres`; the status is `BEYOND` where the table does not cover a spot.
    position : (S, 2, M) ndarray
        Path of each spot over the exposure, in its window; its mean is what is read. [px]
    z : (1, 2, M) ndarray of float32
        Standard normals.
    table : NoiseTable
        Linear between its nodes.
    """
    spot, flux, status = readings
    last = len(table.bias_px) - 1
    mean = position.sum(axis=0) / len(position)
    first = np.array([table.first_x_px, table.first_y_px])[:, None]
    at = (mean - first) * table.nodes_per_px
    beyond = ~((at >= 0) & (at <= last)).all(axis=0)
    at = np.where(beyond, 0.0, at)
    low = np.minimum(at.astype(np.int64), last - 1)
    part = (at - low)[:, :, None]
    values = np.concatenate([table.bias_px, table.root_px], axis=2)
    x, y = low
    upper = (1.0 - part[0]) * values[y, x] + part[0] * values[y, x + 1]
    lower = (1.0 - part[0]) * values[y + 1, x] + part[0] * values[y + 1, x + 1]
    bias_x, bias_y, xx, yx, yy = ((1.0 - part[1]) * upper + part[1] * lower).T
    z64 = z[0].astype(np.float64)
    spot[0] = mean[0] + bias_x + xx * z64[0]
    spot[1] = mean[1] + bias_y + (yx * z64[0] + yy * z64[1])
    spot[:, beyond] = np.nan
    flux[...] = table.light_dn
    status[...] = np.where(beyond, BEYOND, SpotStatus.OK)
