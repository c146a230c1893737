"""Scale, rotation and radial distortion of a camera, from points of known tilt.

The points are dots on a plate that stands in the mirrors' place, or the mirrors themselves, at the
steps of a staircase. The plate knows its scale but for its own tolerance. Mirrors know their tilts
by the nominal drive alone: scale of the camera and mean gain of the drives cannot be told apart by
them, and what is believed of either holds in their product.
"""

from typing import Final, NamedTuple

import numpy as np
import scipy
from numpy.typing import NDArray

from sim.calibration.procedure import SENSORS, Cameras, Estimate, estimate
from sim.calibration.settings import CalibrationParams
from sim.calibration.similarity import similarity
from sim.camera.lens import axis_px, corner_px, distorted, rotated
from sim.camera.pixel_correction import PixelCorrection, PixelMaps
from sim.estimators.centroid import weighted_centroid
from sim.foundations.ports import Array, CameraBelief, SpotStatus
from sim.foundations.rng import Stream, normals

NAME: Final = "camera map"
FIRST: Final = 300_000
EDGE: Final = 0.9
"""Part of the sensor, from the axis outwards, that the plate's dots fill."""
PLATE_ITEM: Final = 900
"""Names the draw of the plate's own scale."""


class CameraMap(NamedTuple):
    """What points of known tilt say of one camera."""

    scale_px_per_mrad: float
    rotation_mrad: float
    distortion_pct: float
    deviations: Array
    """(3,) standard deviations of these, in their order."""
    residual_px: float
    """Rms of what the fit leaves, per axis. [px]"""
    points: int


def fit_map(
    home_px: Array, tilt_mrad: Array, seen_px: Array, corner: float, group: NDArray[np.int64],
    *, shifted: bool,
) -> CameraMap:  # fmt: skip
    """Fit scale, rotation and distortion.

    Parameters
    ----------
    home_px : (N, 2) ndarray
        Place of each point without tilt in a perfect picture, from the optical axis. [px]
    tilt_mrad : (N, 2) ndarray
        Its tilt, as known. [mrad]
    seen_px : (N, 2) ndarray
        Where it was seen, from the optical axis. [px]
    corner : float
        Distance of the sensor's corner from the axis. [px]
    group : (N,) ndarray of int
        Points whose errors may hang together have the same number.
    shifted : bool
        Whether all points may be shifted by the same amount: a plate stands where it was put.

    Returns
    -------
    CameraMap
        Deviations from the scatter of the groups about the fit (the sandwich of White, 1980, by
        groups), so that they hold whatever the noise of a point is made of.

    Raises
    ------
    ValueError
        If the points do not spread, or are seen as in a mirror.
    """
    scale = _scale(home_px, tilt_mrad, seen_px)
    turn = similarity(home_px + scale * tilt_mrad, seen_px).rotation_rad
    first = np.array([scale, turn, 0.0, 0.0, 0.0])
    free = [0, 1, 2, 3, 4] if shifted else [0, 1, 2]

    def residuals(p: Array) -> Array:
        full = np.zeros(5)
        full[free] = p
        moved = (home_px + full[0] * tilt_mrad + full[3:]).T
        drawn = distorted(rotated(moved, full[1]), full[2] / corner**2)
        return np.asarray((drawn.T - seen_px).ravel())

    found = scipy.optimize.least_squares(
        residuals, first[free], x_scale="jac", xtol=1e-14, ftol=1e-14, gtol=1e-14
    )
    bread = np.linalg.inv(found.jac.T @ found.jac)
    each = (found.jac * found.fun[:, None]).reshape(len(group), 2, -1).sum(axis=1)
    _, at = np.unique(group, return_inverse=True)
    sums = np.zeros((at.max() + 1, each.shape[1]))
    np.add.at(sums, at, each)
    n = len(sums)
    covariance = bread @ (sums.T @ sums) @ bread * n / max(n - 1, 1)
    scale, angle, k = found.x[:3]
    deviations = np.sqrt(np.diag(covariance))[:3] * np.array([1.0, 1e3, 100.0])
    return CameraMap(
        float(scale), float(1e3 * angle), float(100.0 * k), deviations,
        float(np.sqrt(np.mean(found.fun**2))), len(group),
    )  # fmt: skip


def _scale(home_px: Array, tilt_mrad: Array, seen_px: Array) -> float:
    """Return a first guess of the scale: movement against home per tilt, along the tilts."""
    moved = seen_px - home_px
    centred = tilt_mrad - tilt_mrad.mean(axis=0)
    return float((centred * moved).sum() / (centred**2).sum())


def plate(
    cameras: Cameras, settings: CalibrationParams, sensor: int, belief: CameraBelief,
    maps: PixelMaps, lens: tuple[float, float],
) -> CameraMap:  # fmt: skip
    """Look at a plate of dots, and fit.

    Dots have the width and the light of spots, and their tilt is known but for the scale of the
    whole plate, which is drawn from its tolerance once for both arrays. The plate is put in by
    hand, within a quarter of a dot's spacing; where it stands is fitted.

    Parameters
    ----------
    cameras : Cameras
        As they are.
    settings : CalibrationParams
        How many dots and frames.
    sensor : int
        Which camera.
    belief : CameraBelief
        Of the frames in the dark and the photon transfer.
    maps : PixelMaps
        By which windows are corrected.
    lens : (float, float)
        True rotation [mrad] and distortion [%].
    """
    params, layout = cameras.params, cameras.layout
    rows, columns = settings.grid_dots
    reach = EDGE * axis_px(layout)
    x, y = np.linspace(-reach[0], reach[0], columns), np.linspace(-reach[1], reach[1], rows)
    ideal = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    known_mrad = ideal / params.scale_px_per_mrad
    z = normals((cameras.seed, Stream.INSTRUMENT), np.array([0, 1 + sensor]), PLATE_ITEM)
    own = 1.0 + 0.01 * settings.grid_tolerance_pct * float(z[0, 0])
    put = 0.25 * np.clip(z[1], -1, 1) * np.array([x[1] - x[0], y[1] - y[0]])
    moved = rotated((own * ideal + put).T, 1e-3 * lens[0])
    place = distorted(moved, 0.01 * lens[1] / corner_px(layout) ** 2).T + axis_px(layout)
    inside = _inside(place, params.window_px, layout.shape)
    seen = dots_read(cameras, sensor, place[inside], settings.grid_frames, belief, maps)
    good = np.isfinite(seen).all(axis=1)
    if good.sum() < 8:
        raise ValueError("the plate's dots could not be read")
    kept = np.flatnonzero(inside)[good]
    fitted = fit_map(
        np.zeros((len(kept), 2)), known_mrad[kept], seen[good] - axis_px(layout),
        corner_px(layout), np.arange(len(kept)), shifted=True,
    )  # fmt: skip
    # The plate's own scale is in no scatter: it adds to the deviation of the camera's.
    plate_scale = 0.01 * settings.grid_tolerance_pct * fitted.scale_px_per_mrad
    deviations = fitted.deviations.copy()
    deviations[0] = np.hypot(deviations[0], plate_scale)
    return fitted._replace(deviations=deviations)


def _inside(
    place_px: Array, window_px: tuple[int, int], shape: tuple[int, int]
) -> NDArray[np.bool_]:
    """Return which places have a whole window on the sensor."""
    half = 0.5 * np.array(window_px[::-1]) + 1
    end = np.array(shape[::-1])
    return np.asarray(((place_px > half) & (place_px < end - half)).all(axis=1))


def dots_read(
    cameras: Cameras, sensor: int, place_px: Array, frames: int, belief: CameraBelief,
    maps: PixelMaps,
) -> Array:  # fmt: skip
    """Return the mean places (K, 2) of dots over some frames; NaN where never read. [px]

    By the weighted centroid, whatever the estimator of the scenario: settings of that one are for
    its windows.
    """
    params = cameras.params
    correction = PixelCorrection(
        maps, np.full(len(place_px), sensor), belief.black_dn, belief.full_scale_dn
    )
    found = []
    for k in range(frames):
        windows, corner = cameras.spots(sensor, place_px, params.window_px, FIRST + k)
        read = weighted_centroid(
            correction.corrected(windows, corner), camera=belief,
            weight_sigma_px=1.2 * params.spot_sigma_px, min_flux_dn=0.0,
            edge_px=2.5 * params.spot_sigma_px,
        )  # fmt: skip
        ok = (read.status == SpotStatus.OK)[:, None]
        found.append(np.where(ok, read.spot_px + corner, np.nan))
    stack = np.array(found)
    count = np.isfinite(stack).sum(axis=0)
    return np.asarray(np.where(count > 0, np.nansum(stack, axis=0) / np.maximum(count, 1), np.nan))


def map_estimates(
    cameras: Cameras, found: tuple[CameraMap, ...], lens: tuple[float, float], by: str
) -> list[Estimate]:
    """Return scale, rotation and distortion of each camera, against the truth."""
    truth = (cameras.params.scale_px_per_mrad, *lens)
    rows = []
    for sensor, each in zip(SENSORS, found, strict=True):
        for (words, unit), value, deviation, true in zip(
            (("scale", "px/mrad"), ("rotation", "mrad"), ("distortion", "%")),
            each[:3], each.deviations, truth, strict=True,
        ):  # fmt: skip
            rows.append(
                estimate(f"{NAME}, {by}", f"{words}, {'AB'[sensor]}", unit, value, deviation, true)
            )
    return rows
