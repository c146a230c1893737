"""Readings from about the brightest pixel: as read, or through the spot's profile."""

from typing import Literal

import numpy as np
from numpy.typing import NDArray

from sim.estimators.reading import Mask, checked_frames, judged, light_above_background
from sim.estimators.settings import SpotSettings
from sim.estimators.spot_model import axis_profile
from sim.foundations.ports import Array, CameraBelief, SpotReading


class LogPeakParams(SpotSettings):
    """Parabola through the logarithms of the brightest pixel and its neighbours."""

    kind: Literal["log_peak"]
    """Name of this estimator. [-]"""


class MatchedFilterParams(SpotSettings):
    """Peak of the correlation with the spot's own profile."""

    kind: Literal["matched_filter"]
    """Name of this estimator. [-]"""


def log_peak(
    frames_dn: NDArray[np.int32], *, camera: CameraBelief, min_flux_dn: float, edge_px: float
) -> SpotReading:
    """Vertex of the parabola through the logarithms of three pixels along each axis.

    The logarithm of a Gaussian is a parabola, so three pixels give its centre. It looks at five
    pixels in all and is noisy for it: several times the bound. Misleads when the brightest pixel
    is a hot one or saturated. Background left in bends the reading within each pixel, but little:
    by 0.003 px where it is a tenth of the peak, by 0.012 px where it is half.
    Fails where a neighbour is no brighter than the background.

    Parameters
    ----------
    frames_dn : (M, H, W) ndarray of int
        Windows as read. [DN]
    camera : CameraBelief
        Black level and background are used.
    min_flux_dn : float
        Least light above the background, summed over the window. [DN]
    edge_px : float
        Least distance of the reading from the outermost pixel centres. [px]

    Returns
    -------
    SpotReading
        `flux_dn` is the light above the background, summed over the window. EDGE also where the
        brightest pixel is an outermost one.

    Raises
    ------
    ValueError
        If `frames_dn` is not (M, H, W), not of whole numbers, or smaller than 3 pixels.
    """
    frames = checked_frames(frames_dn, least_side_px=3)
    light = light_above_background(frames, camera)
    spot_px, at_rim = log_parabola_vertex(light, brightest_pixel(light))
    light_dn = light.sum(axis=(1, 2))
    return judged(
        spot_px,
        light_dn,
        light_dn=light_dn,
        shape=(light.shape[1], light.shape[2]),
        min_flux_dn=min_flux_dn,
        edge_px=edge_px,
        at_rim=at_rim,
    )


def matched_filter(
    frames_dn: NDArray[np.int32], *, camera: CameraBelief, min_flux_dn: float, edge_px: float
) -> SpotReading:
    """Peak of the correlation with the spot's profile, refined to a part of a pixel.

    The correlation of two Gaussians is a Gaussian, so three of its values along each axis give
    the peak as in `log_peak`, now with the noise of the whole spot behind them. Misleads when a
    ghost overlaps the profile, when something brighter than the spot is in the window, and when
    `camera.spot_sigma_px` is far off (more noise, no bias). A wrong background adds to all
    correlations and bends the reading within each pixel. Nearer to the edge than two and a half
    sigma it reads up to 0.1 px outward.

    Parameters
    ----------
    frames_dn : (M, H, W) ndarray of int
        Windows as read. [DN]
    camera : CameraBelief
        Black level, background and spot width are used.
    min_flux_dn : float
        Least light above the background, summed over the window. [DN]
    edge_px : float
        Least distance of the reading from the outermost pixel centres. [px]

    Returns
    -------
    SpotReading
        `flux_dn` is the light above the background, summed over the window. EDGE also where the
        correlation peaks on an outermost pixel.

    Raises
    ------
    ValueError
        If `frames_dn` is not (M, H, W), not of whole numbers, or smaller than 3 pixels.

    Notes
    -----
    The profile is separable: two products with small matrices, no Fourier transform.
    """
    frames = checked_frames(frames_dn, least_side_px=3)
    light = light_above_background(frames, camera)
    matched = correlation(light, camera.spot_sigma_px)
    spot_px, at_rim = log_parabola_vertex(matched, brightest_pixel(matched))
    light_dn = light.sum(axis=(1, 2))
    return judged(
        spot_px,
        light_dn,
        light_dn=light_dn,
        shape=(light.shape[1], light.shape[2]),
        min_flux_dn=min_flux_dn,
        edge_px=edge_px,
        at_rim=at_rim,
    )


def correlation(light: Array, sigma_px: float) -> Array:
    """Return the correlation (M, H, W) of each frame with the profile at each pixel.

    The profile is scaled to a unit sum of squares *within the window*. Near the edge, where the
    window cuts it, the correlation would otherwise peak too far inside.
    """
    _, height, width = light.shape
    return _templates(sigma_px, height) @ (light @ _templates(sigma_px, width).T)


def _templates(sigma_px: float, n_px: int) -> Array:
    """Return the profile centred on each pixel, (n_px, n_px), each row of unit length."""
    rows = axis_profile(np.arange(n_px), sigma_px, n_px)
    return rows / np.linalg.norm(rows, axis=1, keepdims=True)


def brightest_pixel(light: Array) -> NDArray[np.int64]:
    """Return the pixel (x, y) of the largest value of each frame, (M, 2)."""
    n_spots, height, width = light.shape
    flat = light.reshape(n_spots, height * width).argmax(axis=1)
    return np.stack([flat % width, flat // width], axis=-1)


def coarse_spot(light: Array, sigma_px: float) -> Array:
    """Return the pixel (M, 2) where the spot's profile fits best: where iterations start. [px]"""
    return brightest_pixel(correlation(light, sigma_px)).astype(np.float64)


def log_parabola_vertex(values: Array, peak_px: NDArray[np.int64]) -> tuple[Array, Mask]:
    """Return the vertex (M, 2) [px] about the given pixels, and which of them are outermost.

    NaN where one of the five values is not positive or the top is flat.
    """
    n_spots, height, width = values.shape
    last_px = np.array([width - 1, height - 1])
    at_rim = ((peak_px == 0) | (peak_px == last_px)).any(axis=1)
    x, y = np.clip(peak_px, 1, last_px - 1).T
    spot = np.arange(n_spots)
    with np.errstate(all="ignore"):
        centre = np.log(values[spot, y, x])[:, None]
        before = np.log(np.stack([values[spot, y, x - 1], values[spot, y - 1, x]], axis=-1))
        after = np.log(np.stack([values[spot, y, x + 1], values[spot, y + 1, x]], axis=-1))
        vertex = 0.5 * (after - before) / (2 * centre - before - after)
    return np.stack([x, y], axis=-1) + vertex, at_rim
