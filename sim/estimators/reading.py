"""What all estimators share: the look at the frames before, and the verdict after."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sim.foundations.ports import Array, CameraBelief, SpotReading, SpotStatus

Mask = NDArray[np.bool_]


def checked_frames(frames_dn: ArrayLike, *, least_side_px: int = 1) -> NDArray[np.int32]:
    """Return the frames as int32, without a copy where they already are.

    Raises
    ------
    ValueError
        If the frames are not (M, H, W), not whole numbers, or smaller than the estimator needs.
    """
    frames = np.asarray(frames_dn)
    if frames.ndim != 3:
        raise ValueError(f"frames_dn must be (M, H, W), got shape {frames.shape}")
    if min(frames.shape[1:]) < least_side_px:
        raise ValueError(
            f"frames_dn must be at least {least_side_px} pixels high and wide, "
            f"got shape {frames.shape}"
        )
    if not np.issubdtype(frames.dtype, np.integer):
        raise ValueError(f"frames_dn must hold whole digital numbers, got {frames.dtype}")
    return frames.astype(np.int32, copy=False)


def light_above_background(frames_dn: NDArray[np.int32], camera: CameraBelief) -> Array:
    """Return the frames less black level and believed background, (M, H, W), not clipped. [DN]"""
    level_dn = camera.black_dn + camera.gain_dn_per_e * camera.background_e
    return np.subtract(frames_dn, level_dn, dtype=np.float64)


def judged(
    spot_px: Array,
    flux_dn: Array,
    *,
    light_dn: Array,
    shape: tuple[int, int],
    min_flux_dn: float,
    edge_px: float,
    failed: Mask | None = None,
    at_rim: Mask | None = None,
) -> SpotReading:
    """Return the reading with its status; DIM goes before FAILED, and FAILED before EDGE.

    Parameters
    ----------
    spot_px : (M, 2) ndarray
        Positions as found; may hold NaN. [px]
    flux_dn : (M,) ndarray
        Light of the spot as found; replaced by `light_dn` where it is not finite. [DN]
    light_dn : (M,) ndarray
        Summed light that decides on DIM; finite. [DN]
    shape : (int, int)
        Window (H, W). [px]
    min_flux_dn : float
        Frames with less light than this, or with none, are DIM. [DN]
    edge_px : float
        Readings nearer than this to the centre of an outermost pixel, or beyond it, are EDGE. [px]
    failed, at_rim : (M,) ndarray of bool, optional
        Spots that the estimator itself gave up, or knows to touch the edge.

    Returns
    -------
    SpotReading
        Positions are NaN where the status is not OK; the flux is always finite.
    """
    height, width = shape
    finite: Mask = np.asarray(np.isfinite(spot_px).all(axis=1))
    lost = ~finite if failed is None else failed | ~finite
    known_px = np.where(finite[:, None], spot_px, 0.0)
    last_px = np.array([width - 1, height - 1])
    outside = (known_px < edge_px) | (known_px > last_px - edge_px)
    near: Mask = np.asarray(outside.any(axis=1))
    if at_rim is not None:
        near = near | at_rim
    dim: Mask = np.asarray((light_dn < min_flux_dn) | (light_dn <= 0))
    status = np.where(near, SpotStatus.EDGE, SpotStatus.OK).astype(np.uint8)
    status[lost] = SpotStatus.FAILED
    status[dim] = SpotStatus.DIM
    usable = ~(near | lost | dim)[:, None]
    return SpotReading(
        np.where(usable, spot_px, np.nan),
        np.where(np.isfinite(flux_dn), flux_dn, light_dn),
        status,
    )
