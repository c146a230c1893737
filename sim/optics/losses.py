"""What takes light on its way, connection by connection, when every mirror is aimed.

Losses in dB add here: each comes from a part of its own. Offset and tilt of the beam do not, and
are therefore one form (`sim.optics.coupling.loss_form`), on top of this budget.
"""

from typing import NamedTuple

import numpy as np
import scipy
from numpy.typing import ArrayLike

from sim.foundations.ports import Array
from sim.foundations.rng import Stream, uniforms
from sim.optics.coupling import DB_PER_NEPER, aligned_mode_loss_db
from sim.optics.geometry import Connections, SwitchGeometry
from sim.optics.params import OpticsParams

QUADRATURE_POINTS = 64
"""Angles over half a turn; the integrand is smooth and periodic, so this is exact to rounding for
incidence up to 60 degrees."""


class LossBudget(NamedTuple):
    """Loss of C aimed connections, by contributor, each (C,) and zero or more. [dB]"""

    reflectivity_db: Array
    """Both mirrors' absorption."""
    clipping_db: Array
    """Light that passes the edges of both mirrors, as the receiving fibre sees it."""
    combiners_db: Array
    """Both beam combiners."""
    collimators_db: Array
    """Both collimators."""
    connectors_db: Array
    """The connectors of both ports."""
    mode_db: Array
    """Unequal waists, and the path's difference from the nominal one."""
    curvature_db: Array
    """What the curvature of both mirrors adds; zero for flat ones."""

    @property
    def aligned_db(self) -> Array:
        """(C,) sum of all contributors: the loss without pointing error. [dB]"""
        return np.sum(self, axis=0)


def beam_radius_m(waist_m: ArrayLike, distance_m: ArrayLike, wavelength_m: ArrayLike) -> Array:
    """Return the 1/e^2 intensity radius (...) at a distance from the waist, either side. [m]

    Parameters
    ----------
    waist_m : (...) array_like
        Radius at the waist, 1/e^2 of intensity. [m]
    distance_m : (...) array_like
        From the waist along the beam, either way. [m]
    wavelength_m : (...) array_like
        Vacuum wavelength. [m]

    Returns
    -------
    (...) ndarray
        Radius, 1/e^2 of intensity. [m]
    """
    waist = np.asarray(waist_m, dtype=float)
    spread = np.asarray(wavelength_m, dtype=float) * np.asarray(distance_m, dtype=float)
    return np.hypot(waist, spread / (np.pi * waist))


def ellipse_transmission(
    mirror_radius_m: ArrayLike, beam_radius_m: ArrayLike, incidence_rad: ArrayLike
) -> Array:
    """Return the power that a round, inclined mirror reflects of a beam on its centre.

    The beam sees an ellipse, shorter by cos(incidence) in the plane of incidence. A circle of the
    same area passes more; the power that couples back into the same mode is the square of this
    (`recoupled_loss_db`).

    Parameters
    ----------
    mirror_radius_m, beam_radius_m : (...) array_like
        Radius of the mirror, and of the beam at 1/e^2 of intensity. [m]
    incidence_rad : (...) array_like
        Angle between beam and normal, up to 60 degrees for full accuracy. [rad]

    Returns
    -------
    (...) ndarray
        Share of power, 0 to 1. [-]

    Raises
    ------
    ValueError
        If a radius is not positive, or the incidence not in [0, pi/2).
    """
    return np.asarray(1.0 - _clipped_share(mirror_radius_m, beam_radius_m, incidence_rad))


def recoupled_loss_db(
    mirror_radius_m: ArrayLike, beam_radius_m: ArrayLike, incidence_rad: ArrayLike
) -> Array:
    """Return the loss (...) that clipping at one mirror costs in the receiving fibre. [dB]

    The truncated beam overlaps its own untruncated mode by T in amplitude, hence T^2 in power,
    with T from `ellipse_transmission`; propagation to any later plane does not change an overlap.
    """
    clipped = _clipped_share(mirror_radius_m, beam_radius_m, incidence_rad)
    return np.asarray(-2.0 * DB_PER_NEPER * np.log1p(-clipped))


def connector_loss_db(ports: ArrayLike, side: int, params: OpticsParams, seed: int) -> Array:
    """Return the connector loss of ports, drawn from a normal distribution truncated at zero.

    The truncation lifts the mean of the draws above `connector_mean_db` where the standard
    deviation is not small against it.

    Parameters
    ----------
    ports : (...) array_like of int
        Port numbers.
    side : int
        0 for the input side, 1 for the output side.
    params : OpticsParams
        Mean and standard deviation of the distribution.
    seed : int
        The scenario's seed; a port's draw depends on it, the port and the side alone.

    Returns
    -------
    (...) ndarray
        Loss. [dB]

    Raises
    ------
    ValueError
        If side is neither 0 nor 1.
    """
    if side not in (0, 1):
        raise ValueError(f"side must be 0 (input) or 1 (output), got {side}")
    ports = np.asarray(ports)
    if params.connector_sd_db == 0.0:
        return np.full(ports.shape, params.connector_mean_db)
    return drawn_connector_db(uniforms((seed, Stream.CONNECTORS), ports, side)[..., 0], params)


def drawn_connector_db(share: Array, params: OpticsParams) -> Array:
    """Return the connector losses (...) at shares of their distribution, each in (0, 1). [dB]"""
    mean_db, sd_db = params.connector_mean_db, params.connector_sd_db
    if sd_db == 0.0:
        return np.full(share.shape, mean_db)
    below_zero = scipy.special.ndtr(-mean_db / sd_db)
    normal = scipy.special.ndtri(below_zero + share * (1.0 - below_zero))
    return np.maximum(0.0, mean_db + sd_db * normal)


def loss_budget(
    geometry: SwitchGeometry,
    connections: Connections,
    inputs: ArrayLike,
    outputs: ArrayLike,
    params: OpticsParams,
    seed: int,
) -> LossBudget:
    """Return what each connection loses, part by part, with every mirror aimed.

    Clipping is taken with the beam on the mirrors' centres, at the beam's radius there, and the
    two mirrors' shares are multiplied. That is an assumption: light diffracted at the first edge
    is treated as if it had the mode's own shape at the second.

    Parameters
    ----------
    geometry : SwitchGeometry
        Where everything stands.
    connections : Connections
        From `sim.optics.geometry.connect` for the same ports.
    inputs, outputs : (C,) array_like of int
        Ports at the two ends.
    params : OpticsParams
        What the light meets.
    seed : int
        Draws the connectors.

    Returns
    -------
    LossBudget

    Raises
    ------
    ValueError
        If the ports do not number as many as the connections.
    """
    inputs, outputs = np.asarray(inputs), np.asarray(outputs)
    shape = connections.path_m.shape
    if inputs.shape != shape or outputs.shape != shape:
        raise ValueError(
            f"inputs and outputs must be {shape} like the connections, "
            f"got {inputs.shape} and {outputs.shape}"
        )
    wavelength_m = 1e-9 * params.data_wavelength_nm
    waist_m = 1e-6 * params.waist_um
    mirror_m = 1e-6 * params.mirror_radius_um
    middle_m = 0.5 * geometry.nominal_path_m
    from_waist_a_m = np.full(shape, middle_m - geometry.collimator_in_m)
    from_waist_b_m = connections.path_m - geometry.collimator_out_m - middle_m
    clipping_db = recoupled_loss_db(
        mirror_m,
        beam_radius_m(waist_m, from_waist_a_m, wavelength_m),
        connections.incidence_a_rad,
    ) + recoupled_loss_db(
        mirror_m,
        beam_radius_m(waist_m, from_waist_b_m, wavelength_m),
        connections.incidence_b_rad,
    )
    reflectivity_db = 2.0 * DB_PER_NEPER * np.log(1.0 / params.mirror_reflectivity)
    return LossBudget(
        reflectivity_db=np.full(shape, reflectivity_db),
        clipping_db=clipping_db,
        combiners_db=np.full(shape, 2.0 * params.combiner_loss_db),
        collimators_db=np.full(shape, 2.0 * params.collimator_loss_db),
        connectors_db=connector_loss_db(inputs, 0, params, seed)
        + connector_loss_db(outputs, 1, params, seed),
        mode_db=aligned_mode_loss_db(
            wavelength_m,
            waist_m,
            1e-6 * params.receiving_waist_um,
            connections.path_m - geometry.nominal_path_m,
        ),
        curvature_db=np.zeros(shape),
    )


def _clipped_share(
    mirror_radius_m: ArrayLike, beam_radius_m: ArrayLike, incidence_rad: ArrayLike
) -> Array:
    mirror, beam, incidence = np.broadcast_arrays(
        *(np.asarray(v, dtype=float) for v in (mirror_radius_m, beam_radius_m, incidence_rad))
    )
    for name, value in (("mirror_radius_m", mirror), ("beam_radius_m", beam)):
        if not np.all(value > 0.0):
            raise ValueError(f"{name} must be positive, got {value}")
    if not np.all((incidence >= 0.0) & (incidence < 0.5 * np.pi)):
        raise ValueError(f"incidence_rad must be from 0 to below pi/2, got {incidence}")
    # Sight angle over half a turn, the other half being the same; the rectangle rule converges
    # faster than any power of the step for a smooth periodic integrand.
    angle = np.pi * np.arange(QUADRATURE_POINTS) / QUADRATURE_POINTS
    squeeze = np.cos(incidence[..., None]) ** 2
    edge_2 = squeeze / (squeeze * np.sin(angle) ** 2 + np.cos(angle) ** 2)
    ratio_2 = (mirror / beam)[..., None] ** 2
    return np.mean(np.exp(-2.0 * ratio_2 * edge_2), axis=-1)
