"""One exposure, as the kernels take it: when, with which noise, what is kept, what is read."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.foundations.ports import Array


class Sampling(NamedTuple):
    """When the camera looks, and how it sees a tilt."""

    ticks: Array
    """(S,) samples of an exposure that starts with the frame. [tick]"""
    delay_ticks: Array
    """(M,) how much later each mirror's exposure starts; beyond the frame's end the tilt there
    holds. Empty if all start with the frame. [tick]"""
    scale_px_per_rad: float


class PixelNoise(NamedTuple):
    """Which noise the pixels of one frame get, and the names of its random numbers."""

    kind: int
    """0: none, 1: fast, 2: exact."""
    frame: int
    seed: int
    stream: int


class Images(NamedTuple):
    """What is left of the images of K windows."""

    frames_dn: NDArray[np.int32]
    """(K, H, W) filled if `keep`. [DN]"""
    sums: NDArray[np.int64]
    """(3, K) sum, x-weighted and y-weighted sum of max(dn - threshold, 0); filled."""
    threshold_dn: int
    keep: bool


class ReadingRule(NamedTuple):
    """When a thresholded centre of gravity counts."""

    height: int
    """Of the window. [px]"""
    width: int
    min_flux_dn: float
    """Least sum of a spot. [DN]"""
    edge_px: float
    """Least distance of a spot from the outermost pixels' centres. [px]"""


class Readings(NamedTuple):
    """Readings, mirrors last; see `sim.foundations.ports.SpotReading`."""

    spot_px: Array
    """(2, M), NaN where the status is not OK. [px]"""
    flux_dn: Array
    """(M,) [DN]"""
    status: NDArray[np.uint8]
    """(M,)"""


def empty_readings(count: int) -> Readings:
    """Return empty arrays for readings of `count` mirrors."""
    return Readings(np.empty((2, count)), np.empty(count), np.empty(count, np.uint8))
