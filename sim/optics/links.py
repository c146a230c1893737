"""Connections of a switch, any list of them: how mirrors must tilt, what is lost, what errors cost.

The one place where geometry, losses and coupling come together; epochs of a run and whole tables
of connections both come from here.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sim.foundations.ports import Array
from sim.optics.beams import CoupledBeams, beams_of
from sim.optics.build_errors import BuiltSwitch, build_switch
from sim.optics.coupling import DB_PER_NEPER, loss_form
from sim.optics.geometry import Connections, SwitchGeometry, connect, excess_loss_form
from sim.optics.losses import LossBudget, connector_loss_db, loss_budget
from sim.optics.overlap import Light, coupled, pointing_form
from sim.optics.params import OpticsParams
from sim.optics.rays import Rays, aim, trace
from sim.optics.switch import SwitchParams

STEP_RAD = 1e-5
"""Half the step of the central differences of rays; their error is some 1e-9 of the slope."""


class Links(NamedTuple):
    """C connections, from input collimator to output collimator."""

    connections: Connections
    """Tilts, path lengths, incidence and Jacobian of each, as built."""
    losses: LossBudget
    """Loss with every mirror on its aim, by contributor, each (C,). [dB]"""
    form_db: Array
    """(C, 4, 4) misalignment loss is e.form.e with e = errors (Ax, Ay, Bx, By). [dB/rad^2]"""


def links(switch: SwitchParams, seed: int, inputs: ArrayLike, outputs: ArrayLike) -> Links:
    """Return what connecting some inputs with some outputs takes and costs.

    Parameters
    ----------
    switch : SwitchParams
        Geometry, light and losses, and how the parts are spread.
    seed : int
        Of the population: draws each port's connector, and the parts as built.
    inputs, outputs : (C,) array_like of int
        Ports at the two ends; a port may occur more than once.

    Returns
    -------
    Links

    Raises
    ------
    ValueError
        If a port does not exist, or the lists differ in length.
    """
    geometry = SwitchGeometry.from_params(switch.geometry)
    optics = switch.optics
    found = connect(geometry, inputs, outputs)
    if switch.build is not None:
        return _as_built(switch, seed, np.asarray(inputs), np.asarray(outputs), found)
    return Links(
        found,
        loss_budget(geometry, found, inputs, outputs, optics, seed),
        np.ascontiguousarray(_design_form(geometry, optics, found)),
    )


def design_form(switch: SwitchParams, inputs: ArrayLike, outputs: ArrayLike) -> Array:
    """Return the (C, 4, 4) form of the misalignment loss of the switch as designed. [dB/rad^2]"""
    geometry = SwitchGeometry.from_params(switch.geometry)
    return _design_form(geometry, switch.optics, connect(geometry, inputs, outputs))


def _design_form(geometry: SwitchGeometry, optics: OpticsParams, found: Connections) -> Array:
    form = loss_form(
        1e-9 * optics.data_wavelength_nm,
        1e-6 * optics.waist_um,
        1e-6 * optics.receiving_waist_um,
        found.path_m - geometry.nominal_path_m,
    )
    return excess_loss_form(found.jacobian, form, geometry.waist_to_receiver_m)


def beams(
    switch: SwitchParams, seed: int, inputs: NDArray[np.int64], outputs: NDArray[np.int64],
    found: Links,
) -> CoupledBeams:  # fmt: skip
    """Return what the exact misalignment loss of links comes from; they are of the same ports."""
    geometry = SwitchGeometry.from_params(switch.geometry)
    built = build_switch(geometry, switch.optics, switch.build, seed)
    aims = np.concatenate([found.connections.tilt_a_rad, found.connections.tilt_b_rad], axis=1)
    light = light_of(built, switch.optics, inputs, outputs)
    return beams_of(built, light, inputs, outputs, aims, found.form_db)


def light_of(
    built: BuiltSwitch, optics: OpticsParams, inputs: NDArray[np.int64],
    outputs: NDArray[np.int64],
) -> Light:  # fmt: skip
    """Return what the connections carry at the data wavelength."""
    radius_m = 1e-6 * optics.mirror_radius_um
    return Light(
        wavelength_m=1e-9 * optics.data_wavelength_nm,
        waist_in_m=built.source.waist_m[inputs],
        waist_out_m=built.sink.waist_m[outputs],
        curvature_a_per_m=built.a.curvature_per_m[inputs],
        curvature_b_per_m=built.b.curvature_per_m[outputs],
        radius_a_m=radius_m,
        radius_b_m=radius_m,
        middle_m=built.geometry.waist_to_receiver_m,
    )


def _as_built(
    switch: SwitchParams, seed: int, inputs: NDArray[np.int64], outputs: NDArray[np.int64],
    found: Connections,
) -> Links:  # fmt: skip
    optics = switch.optics
    built = build_switch(SwitchGeometry.from_params(switch.geometry), optics, switch.build, seed)
    tilt_a, tilt_b = aim(built, inputs, outputs)
    rays = trace(built, inputs, outputs, tilt_a, tilt_b)
    light = light_of(built, optics, inputs, outputs)
    lost = coupled(rays, light)
    shape = rays.to_a_m.shape
    reflected = built.a.reflectivity[inputs] * built.b.reflectivity[outputs]
    losses = LossBudget(
        reflectivity_db=-DB_PER_NEPER * np.log(reflected),
        clipping_db=lost.clipping_db,
        combiners_db=np.full(shape, 2.0 * optics.combiner_loss_db),
        collimators_db=np.full(shape, 2.0 * optics.collimator_loss_db),
        connectors_db=connector_loss_db(inputs, 0, optics, seed)
        + connector_loss_db(outputs, 1, optics, seed),
        mode_db=lost.mode_db,
        curvature_db=lost.curvature_db,
    )
    jacobian = _mode_jacobian(built, inputs, outputs, tilt_a, tilt_b)
    form = np.swapaxes(jacobian, 1, 2) @ pointing_form(rays, light) @ jacobian
    aimed = found._replace(
        tilt_a_rad=tilt_a.T.copy(),
        tilt_b_rad=tilt_b.T.copy(),
        path_m=rays.path_m,
        incidence_a_rad=rays.on_a.incidence_rad,
        incidence_b_rad=rays.on_b.incidence_rad,
        jacobian=_at_receiver(jacobian, rays),
    )
    return Links(aimed, losses, np.ascontiguousarray(form))


def receiver_jacobian(
    built: BuiltSwitch, inputs: NDArray[np.int64], outputs: NDArray[np.int64]
) -> Array:
    """Return how the ray at the receiving collimator follows tilts about the exact aim, as built.

    Parameters
    ----------
    built : BuiltSwitch
        Where the parts stand.
    inputs, outputs : (C,) ndarray of int
        Ports.

    Returns
    -------
    (C, 4, 4) ndarray
        From tilt errors (Ax, Ay, Bx, By) [rad] to (offset x, offset y [m], slope x, slope y [rad])
        of the ray against the axis of the receiving mode, in the plane of the collimator. Central
        differences of exact rays; for a perfect switch the analytic one of
        `sim.optics.geometry.connect`.
    """
    tilt_a, tilt_b = aim(built, inputs, outputs)
    rays = trace(built, inputs, outputs, tilt_a, tilt_b)
    return _at_receiver(_mode_jacobian(built, inputs, outputs, tilt_a, tilt_b), rays)


def _mode_jacobian(
    built: BuiltSwitch, inputs: NDArray[np.int64], outputs: NDArray[np.int64], tilt_a: Array,
    tilt_b: Array,
) -> Array:  # fmt: skip
    """Return (C, 4, 4) from tilts to place and slope of the mode at mirror B, against the ray."""
    columns = []
    for axis in range(4):
        moved = []
        for step in (STEP_RAD, -STEP_RAD):
            change = step * np.eye(4)[axis][:, None]
            ray = trace(built, inputs, outputs, tilt_a + change[:2], tilt_b + change[2:])
            moved.append(np.concatenate([ray.mode_m, ray.mode_rad]))
        columns.append((moved[0] - moved[1]) / (2.0 * STEP_RAD))
    return np.moveaxis(np.array(columns), (0, 1, 2), (2, 1, 0))  # (C, 4 of v, 4 of tilt)


def _at_receiver(mode: Array, rays: Rays) -> Array:
    """Return the same for the ray against the mode, carried on to the receiving collimator."""
    place, slope = -mode[:, :2], -mode[:, 2:]
    return np.concatenate([place + rays.to_sink_m[:, None, None] * slope, slope], axis=1)
