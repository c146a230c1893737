"""Rays through the two mirror arrays, by exact vectors in three dimensions.

The central path from array A to array B is +z; the plane of incidence is x-z. Both arrays have the
grid directions e_x = (cos i, 0, -sin i) and e_y = (0, 1, 0); array A faces +z with the normal
n_A = (sin i, 0, cos i), array B faces it with n_B = -n_A. All collimators look along
d = (-sin 2i, 0, -cos 2i), so that port p meets port p when every mirror is at rest.

Tilt x, the outer gimbal, turns the normal about the fixed e_y; tilt y, the inner one, about the
carried in-plane x axis. On both arrays positive tilt x tips the normal towards +e_x and positive
tilt y towards +e_y, and the reflected beam goes to the same side.

The receiver's axes are u_x = (cos 2i, 0, -sin 2i), which is what the mirrors make of the +x of the
space between the arrays, and u_y = e_y; the beam travels along d.
"""

from dataclasses import dataclass
from typing import NamedTuple, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sim.foundations.ports import Array
from sim.optics.lattice import Lattice, Outline, lattice_places
from sim.optics.params import GeometryParams


@dataclass(frozen=True, slots=True)
class SwitchGeometry:
    """Where the mirrors and collimators of a switch stand; ports count along rows of columns."""

    ports_per_side: int
    columns: int
    pitch_m: float
    spacing_m: float
    collimator_in_m: float
    collimator_out_m: float
    incidence_rad: float
    lattice: Lattice = "square"
    outline: Outline = "rectangle"
    outputs: int = 0
    """Ports on the output side; 0: `ports_per_side`."""
    output_columns: int = 0
    """Columns of array B; 0: `columns`."""
    output_pitch_m: float = 0.0
    """Pitch of array B; 0: `pitch_m`. [m]"""

    @classmethod
    def from_params(cls, params: GeometryParams) -> Self:
        """Return the geometry that a checked parameter block describes."""
        return cls(
            ports_per_side=params.ports_per_side,
            columns=params.columns,
            pitch_m=1e-3 * params.pitch_mm,
            spacing_m=1e-3 * params.spacing_mm,
            collimator_in_m=1e-3 * params.collimator_in_mm,
            collimator_out_m=1e-3 * params.collimator_out_mm,
            incidence_rad=float(np.deg2rad(params.incidence_deg)),
            lattice=params.lattice,
            outline=params.outline,
            outputs=params.outputs,
            output_columns=params.output_columns or params.columns,
            output_pitch_m=1e-3 * (params.output_pitch_mm or params.pitch_mm),
        )

    @property
    def ports_out(self) -> int:
        """Ports on the output side."""
        return self.outputs or self.ports_per_side

    @property
    def nominal_path_m(self) -> float:
        """Collimator to collimator along the central path. [m]"""
        return self.collimator_in_m + self.spacing_m + self.collimator_out_m

    @property
    def waist_to_receiver_m(self) -> float:
        """From the waist, in the middle of the nominal path, to the receiving collimator. [m]"""
        return 0.5 * self.nominal_path_m

    @property
    def grid_x(self) -> Array:
        """(3,) unit vector e_x along the rows of both arrays."""
        return np.array([np.cos(self.incidence_rad), 0.0, -np.sin(self.incidence_rad)])

    @property
    def grid_y(self) -> Array:
        """(3,) unit vector e_y along the columns of both arrays."""
        return np.array([0.0, 1.0, 0.0])

    @property
    def normal_a(self) -> Array:
        """(3,) unit normal of array A at rest; that of array B is its opposite."""
        return np.array([np.sin(self.incidence_rad), 0.0, np.cos(self.incidence_rad)])

    @property
    def fibre_direction(self) -> Array:
        """(3,) unit vector d: the way light leaves the input and enters the output collimators."""
        twice = 2.0 * self.incidence_rad
        return np.array([-np.sin(twice), 0.0, -np.cos(twice)])

    @property
    def receiver_x(self) -> Array:
        """(3,) unit vector u_x of the receiver's offsets and tilts; u_y is e_y."""
        twice = 2.0 * self.incidence_rad
        return np.array([np.cos(twice), 0.0, -np.sin(twice)])

    def mirrors_a_m(self, ports: ArrayLike) -> Array:
        """Return the centres (..., 3) of mirrors of array A. [m]"""
        return self._centres_m(ports, self.ports_per_side, self.columns, self.pitch_m)

    def mirrors_b_m(self, ports: ArrayLike) -> Array:
        """Return the centres (..., 3) of mirrors of array B. [m]"""
        columns, pitch_m = self.output_columns or self.columns, self.output_pitch_m or self.pitch_m
        in_array_m = self._centres_m(ports, self.ports_out, columns, pitch_m)
        return in_array_m + np.array([0.0, 0.0, self.spacing_m])

    def _centres_m(self, ports: ArrayLike, count: int, columns: int, pitch_m: float) -> Array:
        places = lattice_places(count, columns, self.lattice, self.outline)
        place_m = places[np.asarray(ports)] * pitch_m
        return place_m[..., :1] * self.grid_x + place_m[..., 1:] * self.grid_y


class Connections(NamedTuple):
    """What C connections ask of their mirrors, and what pointing errors do to them."""

    tilt_a_rad: Array
    """(C, 2) mechanical tilt of the mirror of array A that aims the beam. [rad]"""
    tilt_b_rad: Array
    """(C, 2) mechanical tilt of the mirror of array B that aims the beam. [rad]"""
    path_m: Array
    """(C,) collimator to collimator along the beam. [m]"""
    incidence_a_rad: Array
    """(C,) angle of incidence on the aimed mirror of array A. [rad]"""
    incidence_b_rad: Array
    """(C,) angle of incidence on the aimed mirror of array B. [rad]"""
    jacobian: Array
    """(C, 4, 4) from tilt errors (Ax, Ay, Bx, By) [rad] to (offset x, offset y [m], tilt x, tilt y
    [rad]) of the ray in the plane of the receiving collimator."""


def tilted_normal(tilt_rad: ArrayLike, grid_x: Array, grid_y: Array, normal: Array) -> Array:
    """Return the unit normal (..., 3) of mirrors with the tilt (..., 2) [rad] from `normal`.

    Tilt x is the outer rotation, tilt y the inner: exact for any size.
    """
    tilt = np.asarray(tilt_rad, dtype=float)
    tilt_x, tilt_y = tilt[..., 0, None], tilt[..., 1, None]
    inner = np.cos(tilt_y)
    return inner * (np.sin(tilt_x) * grid_x + np.cos(tilt_x) * normal) + np.sin(tilt_y) * grid_y


def connect(geometry: SwitchGeometry, inputs: ArrayLike, outputs: ArrayLike) -> Connections:
    """Return the tilts, paths and Jacobians of connections from input to output ports.

    The tilts are exact; the Jacobian is the exact first derivative at those tilts.

    Parameters
    ----------
    geometry : SwitchGeometry
        Where everything stands.
    inputs, outputs : (C,) array_like of int
        Ports at the two ends, each below the number of ports on its side.

    Returns
    -------
    Connections

    Raises
    ------
    ValueError
        If the ports are not whole numbers, not one-dimensional and of equal length, or out of
        range.
    """
    inputs = _checked_ports("inputs", inputs, geometry.ports_per_side)
    outputs = _checked_ports("outputs", outputs, geometry.ports_out)
    if inputs.shape != outputs.shape:
        raise ValueError(
            f"inputs and outputs must be equally long, got {inputs.size} and {outputs.size}"
        )
    fibre = geometry.fibre_direction
    between = geometry.mirrors_b_m(outputs) - geometry.mirrors_a_m(inputs)
    distance_m = np.linalg.norm(between, axis=-1)
    middle = between / distance_m[:, None]
    axes_a = (geometry.grid_x, geometry.grid_y, geometry.normal_a)
    axes_b = (geometry.grid_x, geometry.grid_y, -geometry.normal_a)
    normal_a, incidence_a_rad = _bisector(fibre, middle)
    normal_b, incidence_b_rad = _bisector(middle, fibre)
    tilt_a_rad, tilt_b_rad = _tilts(normal_a, *axes_a), _tilts(normal_b, *axes_b)
    return Connections(
        tilt_a_rad=tilt_a_rad,
        tilt_b_rad=tilt_b_rad,
        path_m=geometry.collimator_in_m + distance_m + geometry.collimator_out_m,
        incidence_a_rad=incidence_a_rad,
        incidence_b_rad=incidence_b_rad,
        jacobian=_jacobian(
            geometry,
            middle,
            distance_m,
            (normal_a, normal_b),
            (_normal_slopes(tilt_a_rad, *axes_a), _normal_slopes(tilt_b_rad, *axes_b)),
        ),
    )


def excess_loss_form(jacobian: Array, form: Array, waist_to_receiver_m: ArrayLike) -> Array:
    """Return the quadratic form of excess loss in the mirrors' tilt errors.

    Parameters
    ----------
    jacobian : (C, 4, 4) ndarray
        From `connect`.
    form : (4, 4) or (C, 4, 4) ndarray
        From `sim.optics.coupling.loss_form`: offset and tilt in the waist plane to dB.
    waist_to_receiver_m : float or (C,) array_like
        Distance of the waist plane upstream of the receiving collimator. [m]

    Returns
    -------
    (C, 4, 4) ndarray
        Symmetric Q: the excess loss is ``e @ Q @ e`` [dB] for e = (Ax, Ay, Bx, By) tilt errors
        [rad]. It is quadratic by construction, so it is good while the Jacobian is: see
        docs/optics.md for how far.
    """
    upstream = np.asarray(waist_to_receiver_m, dtype=float)[..., None, None]
    offset, tilt = jacobian[..., :2, :], jacobian[..., 2:, :]
    at_waist = np.concatenate([offset - upstream * tilt, tilt], axis=-2)
    return np.swapaxes(at_waist, -1, -2) @ form @ at_waist


def _checked_ports(name: str, ports: ArrayLike, n_ports: int) -> NDArray[np.int64]:
    array = np.asarray(ports)
    if array.ndim != 1 or not np.issubdtype(array.dtype, np.integer):
        raise ValueError(f"{name} must be (C,) whole numbers, got {array.dtype} {array.shape}")
    wrong = array[(array < 0) | (array >= n_ports)]
    if wrong.size:
        raise ValueError(f"{name} must be from 0 to {n_ports - 1}, got {wrong[0]}")
    return array.astype(np.int64)


def _bisector(arriving: Array, leaving: Array) -> tuple[Array, Array]:
    """Return the unit normal (C, 3) that sends one direction into another, and the incidence."""
    difference = leaving - arriving
    length = np.linalg.norm(difference, axis=-1)
    across = np.linalg.norm(leaving + arriving, axis=-1)
    return difference / length[..., None], np.arctan2(across, length)


def _tilts(normal: Array, grid_x: Array, grid_y: Array, rest: Array) -> Array:
    along_x, along_y, along_rest = normal @ grid_x, normal @ grid_y, normal @ rest
    return np.stack(
        [np.arctan2(along_x, along_rest), np.arctan2(along_y, np.hypot(along_x, along_rest))],
        axis=-1,
    )


def _normal_slopes(tilt_rad: Array, grid_x: Array, grid_y: Array, rest: Array) -> Array:
    """Return the change of the normal (C, 2, 3) with tilt x and tilt y."""
    tilt_x, tilt_y = tilt_rad[:, 0, None], tilt_rad[:, 1, None]
    outward = np.sin(tilt_x) * grid_x + np.cos(tilt_x) * rest
    by_x = np.cos(tilt_y) * (np.cos(tilt_x) * grid_x - np.sin(tilt_x) * rest)
    by_y = -np.sin(tilt_y) * outward + np.cos(tilt_y) * grid_y
    return np.stack([by_x, by_y], axis=1)


def _reflected_slopes(arriving: Array, normal: Array, slopes: Array) -> Array:
    """Return the change (C, 2, 3) of the reflected direction as the normal changes."""
    along = np.sum(arriving * normal, axis=-1)[..., None, None]
    return -2.0 * ((slopes @ arriving[..., None]) * normal[:, None, :] + along * slopes)


def _jacobian(
    geometry: SwitchGeometry,
    middle: Array,
    distance_m: Array,
    normals: tuple[Array, Array],
    slopes: tuple[Array, Array],
) -> Array:
    normal_b = normals[1][:, None, :]
    fibre = np.broadcast_to(geometry.fibre_direction, middle.shape)
    # Tilting A turns the middle ray; where it then meets the mirror plane of B, and how it leaves.
    turned = _reflected_slopes(fibre, normals[0], slopes[0])
    facing = np.sum(middle * normals[1], axis=-1)[:, None, None]
    across_b = turned @ normals[1][..., None]
    hit = distance_m[:, None, None] * (turned - across_b / facing * middle[:, None, :])
    leaving_a = turned - 2.0 * across_b * normal_b
    # Tilting B turns the leaving ray; the ray meets B in its centre, so the hit does not move.
    leaving_b = _reflected_slopes(middle, normals[1], slopes[1])
    receiver = np.stack([geometry.receiver_x, geometry.grid_y], axis=-1)
    leaving = np.concatenate([leaving_a, leaving_b], axis=1)
    moved = geometry.collimator_out_m * leaving
    moved[:, :2] += hit
    return np.swapaxes(np.concatenate([moved @ receiver, leaving @ receiver], axis=-1), 1, 2)
