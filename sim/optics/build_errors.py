"""A switch as built: where each part really stands, drawn from the population's seed."""

from typing import Annotated, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from sim.foundations.params import Block, between
from sim.foundations.ports import Array
from sim.foundations.rng import Stream, cut_normals
from sim.optics.geometry import SwitchGeometry
from sim.optics.params import OpticsParams
from sim.optics.vectors import rotation

ITEMS: Final = ("array", "turn", "bow", "pointing", "lateral", "mirror", "waist")
"""What is drawn; the place in this list names the draw."""

Place = Annotated[float, between(0.0, 1e3)]
Turn = Annotated[float, between(0.0, 1e5)]


class BuildParams(Block):
    """Spread of the parts as built; standard deviations of normal laws cut off at three of them.

    Valid for parts that are nearly in their place: up to 1 mm and 0.1 rad, and radii of
    curvature down to 10 mm, so that beams stay paraxial and near the middle of their mirrors.
    """

    array_position_um: Place = 0.0
    """Place of each mirror array, along each of three axes. [um]"""
    array_rotation_urad: Turn = 0.0
    """Rotation of each mirror array about each of three axes. [urad]"""
    chip_bow_per_m: Annotated[float, between(0.0, 100.0)] = 0.0
    """Curvature of each mirror chip, which turns and lifts its mirrors. [1/m]"""
    collimator_pointing_urad: Turn = 0.0
    """Direction of each collimator's beam, per axis. [urad]"""
    collimator_lateral_um: Place = 0.0
    """Place of each collimator's beam across its direction, per axis. [um]"""
    waist_spread_pct: Annotated[float, Field(ge=0, le=20)] = 0.0
    """Waist radius of each collimator. [%]"""
    mirror_curvature_per_m: Annotated[float, between(-100.0, 100.0)] = 0.0
    """Mean curvature of the mirrors, one over the radius; positive is concave. [1/m]"""
    mirror_curvature_spread_per_m: Annotated[float, between(0.0, 100.0)] = 0.0
    """Standard deviation of the mirrors' curvature. [1/m]"""
    reflectivity_spread: Annotated[float, Field(ge=0, le=0.2)] = 0.0
    """Standard deviation of the mirrors' reflectivity; no mirror reflects more than all. [-]"""


class MirrorArray(NamedTuple):
    """N mirrors at rest. Vectors are (3, N)."""

    centre_m: Array
    grid_x: Array
    """Unit vector along the rows."""
    grid_y: Array
    normal: Array
    curvature_per_m: Array
    """(N,) one over the radius of curvature, positive for concave. [1/m]"""
    reflectivity: Array
    """(N,) power reflected at the data wavelength and the nominal incidence. [-]"""


class CollimatorArray(NamedTuple):
    """N collimators. Vectors are (3, N)."""

    point_m: Array
    """A point on the beam's axis, in the plane of the collimator."""
    way: Array
    """Unit vector in which the light travels, into or out of the switch."""
    waist_m: Array
    """(N,) waist radius, half the nominal path away. [m]"""


class BuiltSwitch(NamedTuple):
    """One switch, part by part."""

    geometry: SwitchGeometry
    """As designed."""
    a: MirrorArray
    b: MirrorArray
    source: CollimatorArray
    sink: CollimatorArray


def build_switch(
    geometry: SwitchGeometry, optics: OpticsParams, build: BuildParams | None, seed: int
) -> BuiltSwitch:
    """Draw a switch.

    Parameters
    ----------
    geometry, optics
        As designed.
    build : BuildParams or None
        Spreads; None for a perfect switch.
    seed : int
        Of the population. A port's draws depend on it, the port and its side alone.

    Returns
    -------
    BuiltSwitch
    """
    build = build or BuildParams()
    ports = (np.arange(geometry.ports_per_side), np.arange(geometry.ports_out))
    fibre = geometry.fibre_direction
    centres = (geometry.mirrors_a_m(ports[0]), geometry.mirrors_b_m(ports[1]))
    middles = (np.zeros(3), np.array([0.0, 0.0, geometry.spacing_m]))
    rests = (geometry.normal_a, -geometry.normal_a)
    mirrors, collimators = [], []
    for side in range(2):
        mirrors.append(
            _mirrors(geometry, optics, build, seed, side, centres[side], middles[side], rests[side])
        )
        away_m = -geometry.collimator_in_m if side == 0 else geometry.collimator_out_m
        waist_um = optics.waist_um if side == 0 else optics.receiving_waist_um
        collimators.append(
            _collimators(geometry, build, seed, side, centres[side] + away_m * fibre, waist_um)
        )
    return BuiltSwitch(geometry, mirrors[0], mirrors[1], collimators[0], collimators[1])


def _draw(seed: int, item: str, ports: NDArray[np.int64], side: int) -> Array:
    """Return two standard normals (N, 2) for each port, cut off."""
    return cut_normals((seed, Stream.BUILD), ports, 2 * ITEMS.index(item) + side)


def _body(seed: int, item: str, side: int) -> Array:
    """Return three standard normals of one whole array, cut off."""
    return _draw(seed, item, np.arange(2), side).ravel()[:3]


def _mirrors(
    geometry: SwitchGeometry, optics: OpticsParams, build: BuildParams, seed: int, side: int,
    centre_m: Array, middle_m: Array, rest: Array,
) -> MirrorArray:  # fmt: skip
    ports = np.arange(len(centre_m))
    axes = np.stack([geometry.grid_x, geometry.grid_y, rest])
    bow = build.chip_bow_per_m * _body(seed, "bow", side)[0]
    inside = (centre_m - middle_m) @ axes[:2].T  # (N, 2) along the rows, and across
    lifted = centre_m + 0.5 * bow * np.sum(inside**2, axis=1)[:, None] * rest
    # A bowed chip turns each mirror by its slope, about the axis across the way to the middle.
    normal = rest - bow * (inside @ axes[:2])
    normal /= np.linalg.norm(normal, axis=1)[:, None]
    grid_y = axes[1] - (normal @ axes[1])[:, None] * normal
    grid_y /= np.linalg.norm(grid_y, axis=1)[:, None]
    grid_x = axes[0] - (normal @ axes[0])[:, None] * normal
    grid_x -= np.sum(grid_x * grid_y, axis=1)[:, None] * grid_y
    grid_x /= np.linalg.norm(grid_x, axis=1)[:, None]
    turned_rad = 1e-6 * build.array_rotation_urad * _body(seed, "turn", side)
    turn = rotation(turned_rad).T
    shift_m = 1e-6 * build.array_position_um * _body(seed, "array", side)
    z = _draw(seed, "mirror", ports, side)
    return MirrorArray(
        centre_m=(middle_m + shift_m + (lifted - middle_m) @ turn).T.copy(),
        grid_x=(grid_x @ turn).T.copy(),
        grid_y=(grid_y @ turn).T.copy(),
        normal=(normal @ turn).T.copy(),
        curvature_per_m=build.mirror_curvature_per_m
        + build.mirror_curvature_spread_per_m * z[:, 0],
        reflectivity=np.clip(
            optics.mirror_reflectivity + build.reflectivity_spread * z[:, 1], 1e-6, 1.0
        ),
    )


def _collimators(
    geometry: SwitchGeometry, build: BuildParams, seed: int, side: int, point_m: Array,
    waist_um: float,
) -> CollimatorArray:  # fmt: skip
    ports = np.arange(len(point_m))
    across = np.stack([geometry.receiver_x, geometry.grid_y])
    lateral_m = 1e-6 * build.collimator_lateral_um * _draw(seed, "lateral", ports, side)
    pointing = 1e-6 * build.collimator_pointing_urad * _draw(seed, "pointing", ports, side)
    way = geometry.fibre_direction + pointing @ across
    spread = 0.01 * build.waist_spread_pct * _draw(seed, "waist", ports, side)[:, 0]
    return CollimatorArray(
        point_m=(point_m + lateral_m @ across).T.copy(),
        way=(way / np.linalg.norm(way, axis=1)[:, None]).T.copy(),
        waist_m=1e-6 * waist_um * (1.0 + spread),
    )
