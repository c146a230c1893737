"""The right blob of light: hot pixels taken out, connected regions separated, one chosen."""

from typing import Annotated, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from sim.estimators.reading import Mask, checked_frames, judged
from sim.estimators.settings import SpotSettings
from sim.foundations.params import between
from sim.foundations.ports import CameraBelief, SpotReading

RING = np.array([[1, 1, 1], [1, 0, 1], [1, 1, 1]], dtype=np.uint8)
PAD = 1
"""Pixels put around each frame, so that all frames can stand in one tall picture."""


class ComponentsParams(SpotSettings):
    """Centre of gravity of one connected region.

    Valid for levels that a pixel of up to 16 bit can reach and areas that a window of 256 x 256
    pixels holds, while spot and ghost do not touch above the threshold.
    """

    kind: Literal["components"]
    """Name of this estimator. [-]"""
    threshold_dn: Annotated[int, Field(ge=-65_535, le=65_535)]
    """Lowest threshold; put it some noise above black level and background. [DN]"""
    peak_fraction: Annotated[float, Field(ge=0, lt=1)]
    """Threshold as part of the brightest light, if higher; fainter ghosts vanish below it. [-]"""
    hot_step_dn: Annotated[float, between(1e-6, 65_535.0)]
    """A pixel this far above its brightest neighbour is hot; a spot's own must not be. [DN]"""
    min_area_px: Annotated[int, Field(ge=1, le=65_536)]
    """Regions of fewer pixels are no spots. [px]"""


class _Blobs(NamedTuple):
    """Connected regions of all frames; B of them."""

    frame: NDArray[np.int64]
    area_px: NDArray[np.int64]
    touches_rim: Mask
    flux_dn: NDArray[np.int64]
    moments_dn_px: NDArray[np.int64]
    """(B, 2) first moments about the centre of pixel [0, 0]. [DN px]"""


def components(
    frames_dn: NDArray[np.int32],
    *,
    camera: CameraBelief,
    threshold_dn: int,
    peak_fraction: float,
    hot_step_dn: float,
    min_area_px: int,
    min_flux_dn: float,
    edge_px: float,
) -> SpotReading:
    """Centre of gravity of the brightest connected region that is large enough and off the edge.

    Hot pixels are levelled to the median of their surroundings; each frame's threshold is the
    larger of `threshold_dn` and a part of its brightest light; regions that are too small are
    dropped; those that touch the edge (a neighbour's light) rank behind those that do not; of the
    rest the one with most light is taken. Survives hot pixels and spill that the plain centre of
    gravity follows at any threshold, and ghosts that it follows at a low one.

    Misleads when a ghost or spill is so near that both make one region, or brighter than the spot;
    when two hot pixels lie side by side within the spot; and, like any threshold high up a spot,
    bends the reading within each pixel. Spill brighter than the spot over `peak_fraction` hides
    it: the reading is EDGE. A sharp spot (sigma well below a pixel) looks like a hot pixel.

    Parameters
    ----------
    frames_dn : (M, H, W) ndarray of int
        Windows as read. [DN]
    camera : CameraBelief
        Black level and background are used, to count `peak_fraction` from.
    threshold_dn : int
        Lowest threshold. [DN]
    peak_fraction : float
        Threshold as part of the brightest light of the frame. [-]
    hot_step_dn : float
        Step above the brightest neighbour that makes a pixel hot. [DN]
    min_area_px : int
        Least pixels of a region. [px]
    min_flux_dn : float
        Least light of the region above its threshold. [DN]
    edge_px : float
        Least distance of the reading from the outermost pixel centres. [px]

    Returns
    -------
    SpotReading
        `flux_dn` is the region's light above its threshold. EDGE also where the region touches
        an outermost pixel.

    Raises
    ------
    ValueError
        If `frames_dn` is not (M, H, W), not of whole numbers, or smaller than 3 pixels.
    """
    frames = checked_frames(frames_dn, least_side_px=3)
    n_spots, height, width = frames.shape
    flux_dn = np.zeros(n_spots)
    spot_px = np.full((n_spots, 2), np.nan)
    at_rim = np.zeros(n_spots, dtype=bool)
    if n_spots:
        level_dn = camera.black_dn + camera.gain_dn_per_e * camera.background_e
        tall = _without_hot_pixels(frames, hot_step_dn)
        peak_dn = tall.max(axis=(1, 2))
        relative_dn = np.ceil(level_dn + peak_fraction * (peak_dn - level_dn))
        limit_dn = np.maximum(relative_dn, threshold_dn).astype(np.int32)
        blobs = _blobs(np.maximum(tall - limit_dn[:, None, None], 0))
        chosen = _chosen(blobs, min_area_px)
        frame = blobs.frame[chosen]
        flux_dn[frame] = blobs.flux_dn[chosen]
        spot_px[frame] = blobs.moments_dn_px[chosen] / blobs.flux_dn[chosen][:, None]
        at_rim[frame] = blobs.touches_rim[chosen]
    return judged(
        spot_px,
        flux_dn,
        light_dn=flux_dn,
        shape=(height, width),
        min_flux_dn=min_flux_dn,
        edge_px=edge_px,
        at_rim=at_rim,
    )


def _without_hot_pixels(frames: NDArray[np.int32], hot_step_dn: float) -> NDArray[np.int32]:
    """Return the frames with each lone bright pixel replaced by the median around it."""
    n_spots, height, width = frames.shape
    padded = np.pad(frames, ((0, 0), (PAD, PAD), (PAD, PAD)), mode="reflect")
    import cv2

    tall = padded.reshape(-1, width + 2 * PAD).astype(np.float32)
    hot = tall - cv2.dilate(tall, RING) > hot_step_dn
    level = np.where(hot, cv2.medianBlur(tall, 3), tall).astype(np.int32)
    return level.reshape(padded.shape)[:, PAD:-PAD, PAD:-PAD]


def _blobs(above: NDArray[np.int32]) -> _Blobs:
    """Return the connected regions of the pixels above zero, with their moments."""
    import cv2  # only here and above, since few scenarios need it

    _, height, width = above.shape
    tall = np.pad(above, ((0, 0), (PAD, PAD), (PAD, PAD))).reshape(-1, width + 2 * PAD)
    n_labels, labels, stats, _ = cv2.connectedComponentsWithStats(
        (tall > 0).view(np.uint8), connectivity=8, ltype=cv2.CV_32S
    )
    row, column = np.nonzero(tall)
    label, light = labels[row, column], tall[row, column].astype(np.float64)
    y = row % (height + 2 * PAD) - PAD
    sums = [
        np.bincount(label, weights=weights, minlength=n_labels)[1:].astype(np.int64)
        for weights in (light, light * (column - PAD), light * y)
    ]
    left, top, across, down, area = stats[1:].astype(np.int64).T
    first = top % (height + 2 * PAD)
    touches = (left == PAD) | (first == PAD)
    touches |= (left + across == width + PAD) | (first + down == height + PAD)
    return _Blobs(top // (height + 2 * PAD), area, touches, sums[0], np.stack(sums[1:], axis=-1))


def _chosen(blobs: _Blobs, min_area_px: int) -> NDArray[np.int64]:
    """Return the index of the best region of each frame that has one."""
    able = np.flatnonzero(blobs.area_px >= min_area_px)
    order = able[np.lexsort((blobs.flux_dn[able], ~blobs.touches_rim[able], blobs.frame[able]))]
    frame = blobs.frame[order]
    last = np.append(frame[1:] != frame[:-1], True) if frame.size else np.zeros(0, dtype=bool)
    return order[last]
