"""The sensor behind one mirror array: where each mirror's field lies, and how its pixels differ.

Each array has a sensor of its own. Mirrors have the order of their array, one field of
`pitch_px` by `pitch_px` each, within a margin as wide as a window. Pixels are fixed by
the seed and by their place, so a window that moves sees the pattern move.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.camera.settings import CameraParams
from sim.foundations.ports import Array
from sim.foundations.rng import Stream, normals, uniforms

PLACE = 1 << 16
"""Added to pixel places that name random numbers: those in the margin are below zero."""
DEFECTS = 8
"""Added to the sensor's number for the draws of defects."""


class Layout(NamedTuple):
    """How fields lie on a sensor."""

    ports: int
    """Mirrors on the sensor of array A; those of array B are numbered after them."""
    columns: int
    pitch_px: int
    rim_px: int
    ports_b: int = 0
    """Mirrors on the sensor of array B; 0: `ports`."""
    columns_b: int = 0
    """0: `columns`."""

    @property
    def shape(self) -> tuple[int, int]:
        """Size of either sensor, (height, width), for the larger array. [px]"""
        sides = [(self.count(side), int(self._columns(side))) for side in (0, 1)]
        rows = max(-(-count // columns) for count, columns in sides)
        return (
            rows * self.pitch_px + 2 * self.rim_px,
            max(columns for _, columns in sides) * self.pitch_px + 2 * self.rim_px,
        )

    def count(self, sensor: int) -> int:
        """Return how many mirrors a sensor sees."""
        return (self.ports_b or self.ports) if sensor else self.ports

    def port(self, mirrors: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return the place (M,) of each mirror in its own array."""
        return np.asarray(mirrors) - self.ports * self.sensor(mirrors)

    def corner(self, mirrors: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return the first pixel (M, 2), as (x, y), of each mirror's field. [px]"""
        port, columns = self.port(mirrors), self._columns(self.sensor(mirrors))
        place = np.stack([port % columns, port // columns], axis=-1)
        return place * self.pitch_px + self.rim_px

    def centre(self, mirrors: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return the pixel (M, 2), as (x, y), where a mirror without tilt has its spot. [px]"""
        return self.corner(mirrors) + self.pitch_px // 2

    def sensor(self, mirrors: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return the sensor (M,) of each mirror: 0 for array A, 1 for array B."""
        return np.minimum(np.asarray(mirrors) // self.ports, 1)

    def neighbours(self, mirrors: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return (M, 8) columns of each mirror's neighbours; -1: none, or not simulated."""
        sensor, port = self.sensor(mirrors), self.port(mirrors)
        columns = self._columns(sensor)
        count = np.where(sensor == 0, self.count(0), self.count(1))
        column, row = port % columns, port // columns
        index = {int(mirror): i for i, mirror in enumerate(mirrors)}
        neighbours = np.full((len(mirrors), 8), -1)
        steps = [(dx, dy) for dy in (-1, 0, 1) for dx in (-1, 0, 1) if dx or dy]
        for k, (dx, dy) in enumerate(steps):
            x, y = column + dx, row + dy
            there = x + y * columns
            inside = (x >= 0) & (x < columns) & (there >= 0) & (there < count)
            number = np.where(inside, there + sensor * self.ports, -1)
            neighbours[:, k] = [index.get(int(n), -1) for n in number]
        return neighbours

    def _columns(self, sensor: NDArray[np.int64] | int) -> NDArray[np.int64]:
        return np.where(np.asarray(sensor) == 0, self.columns, self.columns_b or self.columns)


def make_layout(
    params: CameraParams, ports: int, columns: int, ports_b: int = 0, columns_b: int = 0
) -> Layout:
    """Return how the fields of `ports` mirrors in rows of `columns` lie on the sensor.

    `ports_b` and `columns_b` are those of array B; 0: as array A.
    """
    return Layout(ports, columns, params.pitch_px, max(params.window_px), ports_b, columns_b)


class FixedPattern(NamedTuple):
    """How pixels differ: N sensors of H by W pixels, or one pixel for all."""

    response: NDArray[np.float32]
    """(N, H, W) factor on light: 1 plus the PRNU; 0 for dead pixels. [-]"""
    dark: NDArray[np.float32]
    """(N, H, W) dark electrons in one exposure at the reference temperature. [e-]"""
    offset: NDArray[np.float32]
    """(N, H, W) offset at read-out: the DSNU. [e-]"""


def make_pattern(params: CameraParams, layout: Layout, seed: int, sensors: int = 2) -> FixedPattern:
    """Draw the pixels of every sensor.

    PRNU and DSNU are normal and independent from pixel to pixel, without rows, columns or
    gradients; hot pixels all have the same charge.

    Parameters
    ----------
    params : CameraParams
        Strengths.
    layout : Layout
        Size of the sensor. A pixel keeps its values when the margin changes.
    seed : int
        Fixes the pattern.
    sensors : int
        How many sensors there are.

    Returns
    -------
    Pattern
        With N = H = W = 1 if all pixels are alike.

    References
    ----------
    .. [1] EMVA Standard 1288, Release 4.0 Linear: PRNU as a standard deviation of the response,
       DSNU as a standard deviation in electrons of the dark image.
    """
    one = np.ones((1, 1, 1), np.float32)
    if not params.patterned:
        return FixedPattern(one, np.float32(params.dark_e) * one, 0 * one)
    height, width = layout.shape
    number = np.arange(sensors)[:, None, None]
    y = np.arange(height)[:, None] + (PLACE - layout.rim_px)
    x = np.arange(width) + (PLACE - layout.rim_px)
    key = (seed, int(Stream.FIXED_PATTERN))
    response = np.ones((sensors, height, width))
    offset = np.zeros_like(response)
    dark = np.full_like(response, params.dark_e)
    if params.prnu_pct > 0 or params.dsnu_e > 0:
        z = normals(key, x, y, number)
        response += 0.01 * params.prnu_pct * z[..., 0]
        offset += params.dsnu_e * z[..., 1]
    if params.hot_pixels_pct > 0 or params.dead_pixels_pct > 0:
        u = uniforms(key, x, y, number + DEFECTS)
        dark[u[..., 0] < 0.01 * params.hot_pixels_pct] += params.hot_e
        response[u[..., 1] < 0.01 * params.dead_pixels_pct] = 0.0
    response = np.maximum(response, 0.0)
    return FixedPattern(*(a.astype(np.float32) for a in (response, dark, offset)))


class Scene(NamedTuple):
    """What the windows see beside their own spot, as the kernels take it; K windows."""

    spots: NDArray[np.int64]
    """(K, Q) columns of `position` whose light reaches a window, in the order of adding; -1: none.
    """
    sensor: NDArray[np.int64]
    """(K,) sensor that each window lies on."""
    ghost: float
    """Light of a ghost against its spot. [-]"""
    ghost_x_px: float
    ghost_y_px: float
    response: NDArray[np.float32]
    dark: NDArray[np.float32]
    offset: NDArray[np.float32]


def make_scene(
    params: CameraParams,
    layout: Layout,
    mirrors: NDArray[np.int64],
    pattern: FixedPattern,
    *,
    spill: bool,
) -> Scene:
    """Return what the windows of `mirrors` see; with `spill`, their neighbours as well."""
    own = np.arange(len(mirrors))[:, None]
    spots = np.concatenate([own, layout.neighbours(mirrors)], axis=1) if spill else own
    return Scene(
        np.ascontiguousarray(spots),
        np.ascontiguousarray(layout.sensor(mirrors)),
        0.01 * params.ghost_pct,
        params.ghost_offset_px[0],
        params.ghost_offset_px[1],
        *pattern,
    )


def on_sensor(position_px: Array, origin_px: Array) -> Array:
    """Return paths (S, 2, M) in sensor pixels for paths in windows with corners (M, 2). [px]"""
    return position_px + origin_px.T
