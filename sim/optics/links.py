"""Connections of a switch, any list of them: how mirrors must tilt, what is lost, what errors cost.

The one place where geometry, losses and coupling come together; epochs of a run and whole tables
of connections both come from here.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from sim.optics.coupling import loss_form
from sim.optics.geometry import Connections, SwitchGeometry, connect, excess_loss_form
from sim.optics.losses import LossBudget, loss_budget
from sim.optics.switch import SwitchParams
from sim.ports import Array


class Links(NamedTuple):
    """C connections, from input collimator to output collimator."""

    connections: Connections
    """Tilts, path lengths, incidence and Jacobian of each."""
    losses: LossBudget
    """Loss with every mirror on its aim, by contributor, each (C,). [dB]"""
    form_db: Array
    """(C, 4, 4) misalignment loss is e.form.e with e = errors (Ax, Ay, Bx, By). [dB/rad^2]"""


def links(switch: SwitchParams, seed: int, inputs: ArrayLike, outputs: ArrayLike) -> Links:
    """Return what connecting some inputs with some outputs takes and costs.

    Parameters
    ----------
    switch : SwitchParams
        Geometry, light and losses.
    seed : int
        Of the population: draws each port's connector.
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
    form = loss_form(
        1e-9 * optics.data_wavelength_nm,
        1e-6 * optics.waist_um,
        1e-6 * optics.receiving_waist_um,
        found.path_m - geometry.nominal_path_m,
    )
    excess = excess_loss_form(found.jacobian, form, geometry.waist_to_receiver_m)
    return Links(
        found,
        loss_budget(geometry, found, inputs, outputs, optics, seed),
        np.ascontiguousarray(excess),
    )
