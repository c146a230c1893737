"""Windows that end early: rows are missing, so nothing is read, whatever the estimator."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.firmware.rounding import Whole
from sim.firmware.spots.quad_cell import QuadCellWords
from sim.firmware.spots.tables import above
from sim.firmware.spots.thresholded_centroid import ThresholdedCentroidWords
from sim.firmware.spots.verdict import SpotWords
from sim.foundations.ports import SpotStatus


def read_partial(
    pixels_dn: NDArray[np.int32], rows: NDArray[np.int64], words: Any
) -> SpotWords:
    """Return what is to be made of windows of which some rows have arrived.

    Parameters
    ----------
    pixels_dn : (M, H, W) ndarray of int
        Windows; rows that have not arrived are not looked at. [DN]
    rows : (M,) ndarray of int
        Rows that have arrived, less than H.
    words : record of an estimator
        Of sums that are proven, if they are those of a thresholded centroid.

    Returns
    -------
    SpotWords
        DIM if the light of the rows that arrived is less than `least_light`, else FAILED.
    """
    arrived = np.arange(pixels_dn.shape[1]) < rows[:, None]
    light = np.where(arrived, _light_of_rows(pixels_dn, words), 0).sum(axis=1)
    dim = light < words.verdict.least_light
    status = np.where(dim, SpotStatus.DIM, SpotStatus.FAILED).astype(np.uint8)
    return SpotWords(np.zeros((len(light), 2), np.int64), light, status)


def _light_of_rows(pixels_dn: NDArray[np.int32], words: Any) -> Whole:
    """Return what each row (M, H) adds to the light that decides on DIM."""
    if isinstance(words, ThresholdedCentroidWords):
        return np.maximum(pixels_dn - np.int32(words.threshold_dn), 0).sum(axis=2, dtype=np.int64)
    light = above(pixels_dn, words.level)
    if isinstance(words, QuadCellWords):
        v, half_x, half_y = words.verdict, words.half_width, words.half_height
        light[:, :, half_x : v.width - half_x] = 0
        light[:, half_y : v.height - half_y] = 0
    return light.sum(axis=2)
