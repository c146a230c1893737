"""How a sensor sees the tilts of the mirrors before it: scale, rotation, radial distortion.

A tilt moves a spot by `scale` from its home, the spot of the untilted mirror. The lens draws homes
and movements on the sensor turned by the rotation, and radially by r (1 + k r^2), r counted from
the optical axis, which meets the sensor in its middle.
"""

import math
from typing import Annotated, NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from sim.camera.sensor import Layout
from sim.foundations.params import Block, between
from sim.foundations.ports import Array

STEPS = 12
"""Newton's steps of the inverse; from 20 % of distortion it needs six to be at rest."""


class LensParams(Block):
    """What lies between mirrors and sensor, the same for both arrays.

    Valid for a rotation of 0.1 rad, and for distortion of 20 % at the sensor's corner: a barrel of
    more than 33 % would fold the picture's corner over.
    """

    rotation_mrad: Annotated[float, between(-100.0, 100.0)] = 0.0
    """Turn of the picture on the sensor, from x towards y. [mrad]"""
    distortion_pct: Annotated[float, between(-20.0, 20.0)] = 0.0
    """How much farther from the optical axis the corner of the sensor is drawn; barrel: below 0.
    [%]"""


class Lens(NamedTuple):
    """How M mirrors are seen, each by its own sensor."""

    scale_px_per_rad: Array
    """(M,) movement of a spot per tilt, before the lens draws it. [px/rad]"""
    rotation_rad: Array
    """(M,)"""
    distortion_per_px2: Array
    """(M,) k of r (1 + k r^2). [1/px^2]"""
    home_px: Array
    """(2, M) spot of each untilted mirror without rotation and distortion, from the optical axis.
    [px]"""

    def drawn(self, moved_px: Array) -> Array:
        """Return where spots are drawn, against their homes in a perfect picture.

        Parameters
        ----------
        moved_px : (..., 2, M) ndarray
            Movement of the spots in a perfect picture: scale times tilt. [px]

        Returns
        -------
        (..., 2, M) ndarray
            [px]
        """
        turned = rotated(moved_px + self.home_px, self.rotation_rad)
        return distorted(turned, self.distortion_per_px2) - self.home_px

    def spots_px(self, tilt_rad: Array) -> Array:
        """Return where the spots of tilts (M, 2) are, against their homes, (M, 2). [px]"""
        return np.ascontiguousarray(self.drawn(self.scale_px_per_rad * tilt_rad.T).T)

    def tilts_rad(self, spot_px: Array) -> Array:
        """Return the tilts (M, 2) of spots (M, 2) against their homes; NaN stays NaN. [rad]"""
        straight = undistorted(spot_px.T + self.home_px, self.distortion_per_px2)
        moved = rotated(straight, -self.rotation_rad) - self.home_px
        return np.ascontiguousarray((moved / self.scale_px_per_rad).T)


class SeesTilts(Protocol):
    """What a firmware believes of a lens."""

    def spots_px(self, tilt_rad: Array) -> Array:
        """Return where the spots of tilts (M, 2) are expected, against their homes. [px]"""
        ...

    def tilts_rad(self, spot_px: Array) -> Array:
        """Return the tilts (M, 2) of spots (M, 2) against their homes. [rad]"""
        ...


def lens_of(
    layout: Layout,
    mirrors: NDArray[np.int64],
    scale_px_per_mrad: Array | float,
    rotation_mrad: Array | float,
    distortion_pct: Array | float,
) -> Lens:
    """Return how mirrors are seen.

    Parameters
    ----------
    layout : Layout
        How fields lie on the sensor.
    mirrors : (M,) ndarray of int
        Numbers of the mirrors.
    scale_px_per_mrad, rotation_mrad, distortion_pct : (S,) ndarray or float
        Of each sensor, or of all.
    """
    sensor = layout.sensor(mirrors)

    def each(value: Array | float) -> Array:
        of_sensors = np.broadcast_to(np.asarray(value, np.float64), (int(sensor.max()) + 1,))
        return np.ascontiguousarray(of_sensors[sensor])

    return Lens(
        1e3 * each(scale_px_per_mrad),
        1e-3 * each(rotation_mrad),
        0.01 * each(distortion_pct) / corner_px(layout) ** 2,
        np.ascontiguousarray((layout.centre(mirrors) - axis_px(layout)).T.astype(np.float64)),
    )


def axis_px(layout: Layout) -> Array:
    """Return where the optical axis meets the sensor: its middle, (x, y). [px]"""
    height, width = layout.shape
    return np.array([0.5 * (width - 1), 0.5 * (height - 1)])


def corner_px(layout: Layout) -> float:
    """Return the distance of the sensor's corner from the optical axis. [px]"""
    return math.hypot(*axis_px(layout))


def rotated(place: Array, angle_rad: Array | float) -> Array:
    """Return places (..., 2, M) turned about the origin, from x towards y."""
    x, y = place[..., 0, :], place[..., 1, :]
    c, s = np.cos(angle_rad), np.sin(angle_rad)
    return np.stack([c * x - s * y, s * x + c * y], axis=-2)


def distorted(place: Array, k: Array | float) -> Array:
    """Return places (..., 2, M) moved radially: r becomes r (1 + k r^2)."""
    return np.asarray(place * (1.0 + k * (place**2).sum(axis=-2, keepdims=True)))


def undistorted(place: Array, k: Array | float) -> Array:
    """Return the places (..., 2, M) that `distorted` moves to these; NaN where there is none.

    With k below 0 nothing is drawn beyond 2/3 / sqrt(-3 k): there the picture folds over.

    Notes
    -----
    The radius solves r (1 + k r^2) = r_d, by Newton's method from r_d.
    """
    seen = np.sqrt((place**2).sum(axis=-2, keepdims=True))
    k = np.broadcast_to(k, seen.shape)
    fold = np.where(k < 0, 1.0 / np.sqrt(np.maximum(-3.0 * k, 1e-300)), np.inf)
    radius = np.minimum(seen, 0.999 * fold)
    for _ in range(STEPS):
        slope = 1.0 + 3.0 * k * radius**2
        radius = radius - (radius * (1.0 + k * radius**2) - seen) / slope
        radius = np.clip(radius, 0.0, 0.999999 * fold)
    beyond = (k < 0) & (seen > 2.0 / 3.0 * fold)
    ratio = np.divide(radius, seen, out=np.ones_like(seen), where=seen > 0)
    return np.asarray(np.where(beyond, np.nan, place * ratio))
