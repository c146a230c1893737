"""Connections of a switch as built, laid out in rows: what the exact overlap is worked out from.

Misalignment loss is a quadratic form of the four tilt errors while they are small. Rays are not
quite linear in the tilts, and a beam that moves across a mirror loses light at its edge; both are
in the exact overlap. How far the form holds is worked out here, for each connection.
"""

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.foundations.ports import Array
from sim.optics.build_errors import BuiltSwitch, CollimatorArray, MirrorArray
from sim.optics.overlap import EDGE_POINTS, STEEP_RAD, Light, coupled
from sim.optics.rays import trace_parts

Ports = NDArray[np.int64]
FORM_ERROR_DB: Final = 0.05
"""What the quadratic form may be off by where it is used, in directions that are probed. [dB]"""
FORM_RANGES_DB: Final = (3.0, 2.0, 1.0, 0.5, 0.2, 0.1, 0.05)
"""Losses up to which the form may be used: the first that is good enough, or the last. [dB]"""
NO_LIGHT_DB: Final = 60.0
"""Where the form says more, it stands: there is no light. [dB]"""
FINER: Final = 2
"""Times as many points on an edge, for beams that are off: 1e-3 dB at 60 dB. [-]"""


class CoupledBeams(NamedTuple):
    """C connections and their light, as kernels take them."""

    a: Array
    """(C, 13) mirror A of each: centre, both axes of its array, normal, curvature."""
    b: Array
    source: Array
    """(C, 7) collimator: point, way, waist."""
    sink: Array
    receiver_x: Array
    """(3,) axis of the receiver's frame."""
    middle_m: float
    """From each collimator to the nominal place of both waists. [m]"""
    radius_m: float
    """Radius of the mirrors' faces. [m]"""
    wavelength_m: float
    edge: Array
    """(2, P) cosine and sine of points on a mirror's edge."""
    aligned_db: Array
    """(C,) what the beam loses on its way with both mirrors on their aim. [dB]"""
    form_range_db: Array
    """(C,) misalignment loss up to which the quadratic form holds. [dB]"""


def mirror_rows(array: MirrorArray) -> Array:
    """Return mirrors as rows (N, 13)."""
    rows = (array.centre_m, array.grid_x, array.grid_y, array.normal, array.curvature_per_m[None])
    return np.ascontiguousarray(np.concatenate(rows).T)


def collimator_rows(array: CollimatorArray) -> Array:
    """Return collimators as rows (N, 7)."""
    return np.ascontiguousarray(
        np.concatenate((array.point_m, array.way, array.waist_m[None])).T
    )


def edge_points(incidence_rad: float, finer: int = 1) -> Array:
    """Return cosine and sine (2, P) of the points on a mirror's edge, more for a steep one."""
    steep = incidence_rad > 0.8 * STEEP_RAD
    turn = 2.0 * np.pi * np.arange(finer * EDGE_POINTS * (4 if steep else 1))
    turn /= len(turn)
    return np.stack([np.cos(turn), np.sin(turn)])


def beams_of(
    built: BuiltSwitch, light: Light, inputs: Ports, outputs: Ports, tilt_rad: Array, form_db: Array
) -> CoupledBeams:
    """Lay out connections.

    Parameters
    ----------
    built : BuiltSwitch
        Where the parts stand.
    light : Light
        What the connections carry; both arrays' mirrors have one radius.
    inputs, outputs : (C,) ndarray of int
        Ports.
    tilt_rad : (C, 4) ndarray
        Aims, as Ax, Ay, Bx, By. [rad]
    form_db : (C, 4, 4) ndarray
        Quadratic forms of the misalignment loss. [dB/rad^2]

    Returns
    -------
    CoupledBeams
    """
    beams = CoupledBeams(
        mirror_rows(built.a)[inputs],
        mirror_rows(built.b)[outputs],
        collimator_rows(built.source)[inputs],
        collimator_rows(built.sink)[outputs],
        np.ascontiguousarray(built.geometry.receiver_x, dtype=float),
        light.middle_m,
        light.radius_a_m,
        light.wavelength_m,
        edge_points(built.geometry.incidence_rad, FINER),
        np.zeros(len(inputs)),
        np.zeros(len(inputs)),
    )
    every = np.arange(len(inputs))
    beams = beams._replace(aligned_db=misalignment_db(beams, every, tilt_rad))
    return beams._replace(form_range_db=_ranges_db(beams, tilt_rad, form_db))


def misalignment_db(beams: CoupledBeams, which: NDArray[np.int64], tilt_rad: Array) -> Array:
    """Return what connections lose more than on their aim, by the exact overlap.

    Parameters
    ----------
    beams : CoupledBeams
        The connections.
    which : (K,) ndarray of int
        Rows of them; may repeat.
    tilt_rad : (K, 4) ndarray
        Tilts Ax, Ay, Bx, By. [rad]

    Returns
    -------
    (K,) ndarray
        [dB]
    """
    a, b = mirrors_of(beams.a[which]), mirrors_of(beams.b[which])
    source, sink = collimators_of(beams.source[which]), collimators_of(beams.sink[which])
    rays = trace_parts(a, b, source, sink, beams.receiver_x, tilt_rad.T[:2], tilt_rad.T[2:])
    light = Light(
        beams.wavelength_m, source.waist_m, sink.waist_m, a.curvature_per_m, b.curvature_per_m,
        beams.radius_m, beams.radius_m, beams.middle_m,
    )  # fmt: skip
    lost = coupled(rays, light, points=beams.edge.shape[1])
    return np.asarray(lost.total_db - beams.aligned_db[which])


def _ranges_db(beams: CoupledBeams, tilt_rad: Array, form_db: Array) -> Array:
    """Return how far each form holds, probed along its four axes and between them, both ways."""
    strength, axes = np.linalg.eigh(form_db)  # (C, 4), (C, 4, 4): an axis a column
    axes = axes / np.sqrt(np.maximum(strength, np.finfo(float).tiny))[:, None, :]
    between = [[1.0 if k >> i & 1 else -1.0 for i in range(4)] for k in range(16)]
    ways = np.concatenate([np.eye(4), -np.eye(4), 0.5 * np.array(between)])
    probes = np.einsum("cij,pj->pci", axes, ways)  # each has a loss of 1 dB by the form
    found = np.full(len(tilt_rad), FORM_RANGES_DB[-1])
    left = np.arange(len(tilt_rad))
    for range_db in FORM_RANGES_DB[:-1]:
        tilts = tilt_rad[left] + np.sqrt(range_db) * probes[:, left]
        with np.errstate(all="ignore"):  # a ray that misses by far need not be a number
            exact = misalignment_db(beams, np.tile(left, len(ways)), tilts.reshape(-1, 4))
        off_db = np.abs(exact - range_db).reshape(len(ways), -1).max(axis=0)
        good = off_db <= FORM_ERROR_DB
        found[left[good]] = range_db
        left = left[~good]
        if len(left) == 0:
            break
    return found


def mirrors_of(rows: Array) -> MirrorArray:
    """Return mirrors from rows (C, 13); their reflectivity is not in them, and one."""
    centre, grid_x, grid_y, normal = (rows[:, 3 * k : 3 * k + 3].T for k in range(4))
    return MirrorArray(centre, grid_x, grid_y, normal, rows[:, 12], np.ones(len(rows)))


def collimators_of(rows: Array) -> CollimatorArray:
    """Return collimators from rows (C, 7)."""
    return CollimatorArray(rows[:, :3].T, rows[:, 3:6].T, rows[:, 6])

