"""Centres of gravity: of what exceeds a threshold, and under a Gaussian weight that follows."""

from typing import Annotated, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from sim.estimators.peak import coarse_spot
from sim.estimators.reading import checked_frames, judged, light_above_background
from sim.estimators.settings import SpotSettings
from sim.foundations.params import between
from sim.foundations.ports import Array, CameraBelief, PixelSums, SpotReading


class ThresholdedCentroidParams(SpotSettings):
    """Centre of gravity of the light above a fixed level.

    Valid for levels that a pixel of up to 16 bit can reach; below black level and background
    the reading is drawn to the window's middle.
    """

    kind: Literal["thresholded_centroid"]
    """Name of this estimator. [-]"""
    threshold_dn: Annotated[int, Field(ge=-65_535, le=65_535)]
    """Level taken off every pixel, black level and background included. [DN]"""


class WeightedCentroidParams(SpotSettings):
    """Centre of gravity under a Gaussian weight that is moved onto the spot.

    Valid for a weight about as wide as the spot: a narrower one loses light, a wider one takes
    in the background. Steps below 1e-9 px are lost in rounding.
    """

    kind: Literal["weighted_centroid"]
    """Name of this estimator. [-]"""
    weight_sigma_px: Annotated[float, between(0.1, 256.0)]
    """Standard deviation of the weight; the spot's own, or up to 1.4 times that. [px]"""
    tolerance_px: Annotated[float, between(1e-9, 1.0)] = 1e-4
    """The search ends once a step is smaller than this. [px]"""
    max_iterations: Annotated[int, Field(ge=1, le=1000)] = 12
    """Spots that still move after this many steps are FAILED. [-]"""


def thresholded_centroid(
    frames_dn: NDArray[np.int32],
    *,
    camera: CameraBelief,
    threshold_dn: int,
    min_flux_dn: float,
    edge_px: float,
) -> SpotReading:
    """Centre of gravity of max(dn - threshold, 0), in whole-number sums.

    Misleads when anything but the spot exceeds the threshold: a ghost, a hot pixel or a
    neighbour's light pulls the reading by its share of the light times its distance, and the
    status stays OK. A threshold below the background pulls towards the middle of the window; one
    high up the spot bends the reading within each pixel. A spot cut by the edge reads inward: by
    0.2 px at one sigma from it. Set `edge_px` to two and a half sigma.

    Parameters
    ----------
    frames_dn : (M, H, W) ndarray of int
        Windows as read. [DN]
    camera : CameraBelief
        Not used.
    threshold_dn : int
        Level taken off every pixel, black level and background included. [DN]
    min_flux_dn : float
        Least sum above the threshold. [DN]
    edge_px : float
        Least distance of the reading from the outermost pixel centres. [px]

    Returns
    -------
    SpotReading
        `flux_dn` is the sum above the threshold.

    Raises
    ------
    ValueError
        If `frames_dn` is not (M, H, W) or not of whole numbers.

    Notes
    -----
    The sums are exact, and the position is one division of two float64: another implementation
    that does the same agrees bit for bit.
    """
    frames = checked_frames(frames_dn)
    _, height, width = frames.shape
    above = np.maximum(frames - np.int32(threshold_dn), 0)
    columns = above.sum(axis=1, dtype=np.int64)
    rows = above.sum(axis=2, dtype=np.int64)
    sum_light = rows.sum(axis=1)
    sums = np.stack([columns @ np.arange(width), rows @ np.arange(height)], axis=-1)
    flux_dn = sum_light.astype(np.float64)
    spot_px = np.full(sums.shape, np.nan)
    np.divide(sums.astype(np.float64), flux_dn[:, None], out=spot_px, where=sum_light[:, None] > 0)
    return judged(
        spot_px,
        flux_dn,
        light_dn=flux_dn,
        shape=(height, width),
        min_flux_dn=min_flux_dn,
        edge_px=edge_px,
    )


def thresholded_sums(settings: ThresholdedCentroidParams) -> PixelSums:
    """Return what the fused loop needs to take these sums by itself."""
    return PixelSums(settings.threshold_dn, settings.min_flux_dn, settings.edge_px)


def weighted_centroid(
    frames_dn: NDArray[np.int32],
    *,
    camera: CameraBelief,
    weight_sigma_px: float,
    min_flux_dn: float,
    edge_px: float,
    tolerance_px: float = 1e-4,
    max_iterations: int = 12,
) -> SpotReading:
    """Centre of gravity under a Gaussian weight, moved until it sits on the spot.

    Starts at the brightest place seen through the spot's own profile. Misleads when a
    brighter thing than the spot is in the window, and a little when the spot is not symmetric.
    A ghost pulls only as far as the weight reaches. A narrow weight throws light away, a wide one
    lets background noise in. A wrong `camera.background_e` does not pull, save near the
    edge, where the window cuts the weight and the reading is pulled inward: by 0.13 px at one sigma
    from it. Set `edge_px` to two and a half sigma. A wrong `camera.spot_sigma_px` costs steps,
    not accuracy.

    Parameters
    ----------
    frames_dn : (M, H, W) ndarray of int
        Windows as read. [DN]
    camera : CameraBelief
        Black level, background and spot width are used.
    weight_sigma_px : float
        Standard deviation of the weight. [px]
    min_flux_dn : float
        Least light above the background, summed over the window. [DN]
    edge_px : float
        Least distance of the reading from the outermost pixel centres. [px]
    tolerance_px : float
        Largest last step. [px]
    max_iterations : int
        Steps before a spot is given up.

    Returns
    -------
    SpotReading
        `flux_dn` is the light above the background, summed over the window.

    Raises
    ------
    ValueError
        If `frames_dn` is not (M, H, W), not of whole numbers, or smaller than 3 pixels.

    Notes
    -----
    Weight and spot are both Gaussian, so the weighted centre lies a known part
    ``w^2 / (w^2 + s^2)`` of the way from the weight's centre to the spot's. Each step is divided
    by that part, which makes the iteration quadratic instead of linear.
    """
    frames = checked_frames(frames_dn, least_side_px=3)
    n_spots, height, width = frames.shape
    light = light_above_background(frames, camera)
    light_dn = light.sum(axis=(1, 2))
    stride = 1.0 + (camera.spot_sigma_px**2 + 1 / 12) / weight_sigma_px**2
    spot_px = coarse_spot(light, camera.spot_sigma_px)
    moving = np.arange(n_spots)
    with np.errstate(all="ignore"):
        for _ in range(max_iterations):
            seen = light if moving.size == n_spots else light[moving]
            step_px = stride * _weighted_offset(seen, spot_px[moving], weight_sigma_px)
            step_px = np.clip(step_px, -weight_sigma_px, weight_sigma_px)
            spot_px[moving] += step_px
            moving = moving[~(np.abs(step_px) < tolerance_px).all(axis=1)]
            if moving.size == 0:
                break
    failed = np.zeros(n_spots, dtype=bool)
    failed[moving] = True
    return judged(
        spot_px,
        light_dn,
        light_dn=light_dn,
        shape=(height, width),
        min_flux_dn=min_flux_dn,
        edge_px=edge_px,
        failed=failed,
    )


def _weighted_offset(light: Array, centre_px: Array, weight_sigma_px: float) -> Array:
    """Return the centre of gravity under the weight, from the weight's centre, (M, 2). [px]"""
    _, height, width = light.shape
    dx_px = np.arange(width) - centre_px[:, :1]
    dy_px = np.arange(height) - centre_px[:, 1:]
    weight_x = np.exp(-0.5 * (dx_px / weight_sigma_px) ** 2)
    weight_y = np.exp(-0.5 * (dy_px / weight_sigma_px) ** 2)
    by_row = light @ np.stack([weight_x, weight_x * dx_px], axis=-1)
    by_both = np.stack([weight_y, weight_y * dy_px], axis=1) @ by_row
    total = by_both[:, 0, 0]
    offset = np.stack([by_both[:, 0, 1], by_both[:, 1, 0]], axis=-1)
    return offset / np.where(total > 0, total, np.nan)[:, None]
