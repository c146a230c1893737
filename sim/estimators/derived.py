"""Settings of the shipped estimators, worked out from what the camera is expected to show.

An outside estimator may bring a function of the same form in its `EstimatorKind`.
"""

from collections.abc import Callable
from typing import Any, Final, NamedTuple

import numpy as np

from sim.foundations.ports import Array

WEIGHT_SIGMA: Final = 1.3
"""Width of the weight. [spot sigmas]"""
PEAK_FRACTION: Final = 0.15
HOT_NOISE: Final = 6.0
"""Margin above the spot's own largest step. [noise deviations]"""
AREA_PART: Final = 0.25
REGION_NOISE: Final = 2.0
"""Lower, and the noise of the dark joins the regions up. [noise deviations]"""


class ExpectedSpots(NamedTuple):
    """What a camera is expected to show of the spots, as it was designed."""

    window_px: tuple[int, int]
    """(H, W)."""
    spot_sigma_px: float
    gain_dn_per_e: float
    dark_e: float
    """Background and dark signal of a pixel. [e]"""
    read_noise_e: float
    light_dn: Array
    """(P, H, W) mean light of a spot at P places near the middle, above the dark level. [DN]"""
    dark_dn: float
    """Black level and background. [DN]"""
    dark_deviation_dn: float
    """Noise of a dark pixel. [DN]"""
    best_threshold_dn: Callable[[], int]
    """Threshold of least error for a centre of gravity. [DN]"""
    least_flux_dn: Callable[[float], float]
    """Light above a threshold below which a frame is as good as empty. [DN]"""


Derived = Callable[[ExpectedSpots], dict[str, Any]]
"""Returns settings, for those that an estimator has beyond `edge_px` and `min_flux_dn`, or instead
of what is worked out for these."""


def thresholded_centroid_settings(expected: ExpectedSpots) -> dict[str, Any]:
    """Return the threshold of least error, and the least light above it."""
    return _above(expected, expected.best_threshold_dn())


def components_settings(expected: ExpectedSpots) -> dict[str, Any]:
    """Return a threshold that keeps regions apart, and what sorts them."""
    clear = expected.dark_dn + REGION_NOISE * expected.dark_deviation_dn
    threshold = max(expected.best_threshold_dn(), int(np.ceil(clear)))
    gain, light = expected.gain_dn_per_e, expected.light_dn
    flat = np.sort(light.reshape(len(light), -1), axis=1)
    peak = float(flat[:, -1].max())
    deviation = gain * np.sqrt(peak / gain + expected.dark_e + expected.read_noise_e**2)
    step = float((flat[:, -1] - flat[:, -2]).max())
    limit = max(threshold - expected.dark_dn, PEAK_FRACTION * peak)
    area = int((light > limit).sum(axis=(1, 2)).min())
    return _above(expected, threshold) | {
        "peak_fraction": PEAK_FRACTION,
        "hot_step_dn": step + HOT_NOISE * float(deviation),
        "min_area_px": max(1, int(AREA_PART * area)),
    }


def weighted_centroid_settings(expected: ExpectedSpots) -> dict[str, Any]:
    """Return a weight somewhat wider than the spot."""
    return {"weight_sigma_px": WEIGHT_SIGMA * expected.spot_sigma_px}


def quad_cell_settings(expected: ExpectedSpots) -> dict[str, Any]:
    """Return no gap, or one column and row where the window's sides are odd."""
    return {"gap_px": expected.window_px[0] % 2}


def quad_cell_window(window_px: tuple[int, int]) -> str | None:
    """Return why a window cannot be halved both ways with one gap, or None."""
    if (window_px[0] - window_px[1]) % 2:
        return "needs sides that are both even or both odd"
    return None


def _above(expected: ExpectedSpots, threshold_dn: int) -> dict[str, Any]:
    least = expected.least_flux_dn(float(threshold_dn))
    return {"threshold_dn": threshold_dn, "min_flux_dn": least}
