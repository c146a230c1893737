"""Tilts of connections as they are found: from the drawing, from a table, or by peaking."""

from typing import NamedTuple

import numpy as np

from sim.foundations.ports import Array
from sim.foundations.rng import Stream, cut_normals, normals
from sim.optics.budgets import AimingParams
from sim.optics.links import design_form
from sim.optics.switch import SwitchParams
from sim.studies.connections.coupler import Coupler, Ports

PROBES_PER_ROUND = 8
MIRROR_ITEM, CONNECTION_ITEM, GAIN_ITEM, METER_ITEM = 0, 2, 4, 8
NO_READING_DB = 50.0
"""A power meter does not read beyond this loss: such a probe says nothing."""


class Aimed(NamedTuple):
    """How C connections are aimed."""

    change_rad: Array
    """(C, 4) tilts from the exact aim, or from rest. [rad]"""
    from_rest: bool
    probes: int
    """Readings of power that each connection took."""


def table_errors(aiming: AimingParams, seed: int, inputs: Ports, outputs: Ports) -> Array:
    """Return the errors (C, 4) of a calibration table. [rad]

    The shared part of a mirror is named by the mirror, the other by the connection.
    """
    key = (seed, Stream.AIMING)
    ends = (inputs, outputs)
    found = []
    for side in range(2):
        error = np.zeros((len(inputs), 2))
        if aiming.mirror_error_urad:
            known, back = np.unique(ends[side], return_inverse=True)
            drawn = cut_normals(key, known, 0, MIRROR_ITEM + side)
            error += aiming.mirror_error_urad * drawn[back]
        if aiming.connection_error_urad:
            drawn = cut_normals(key, inputs, outputs, CONNECTION_ITEM + side)
            error += aiming.connection_error_urad * drawn
        found.append(1e-6 * error)
    return np.concatenate(found, axis=1)


def dead_reckoned(
    switch: SwitchParams, gain_spread: float, seed: int, inputs: Ports, outputs: Ports,
    design_rad: Array,
) -> Array:  # fmt: skip
    """Return the tilts (C, 4) that the drawing asks for, through mirrors of unknown gain. [rad]

    Parameters
    ----------
    switch : SwitchParams
        As designed.
    gain_spread : float
        Standard deviation of the mirrors' tilt per volt over the nominal. [-]
    seed : int
        Of the population.
    inputs, outputs : (C,) ndarray of int
        Ports.
    design_rad : (C, 4) ndarray
        Tilts of the design. [rad]
    """
    found = []
    for side, ports in enumerate((inputs, outputs)):
        known, back = np.unique(ports, return_inverse=True)
        drawn = cut_normals((seed, Stream.AIMING), known, 0, GAIN_ITEM + side)
        found.append(1.0 + gain_spread * drawn[back])
    return np.asarray(design_rad * np.concatenate(found, axis=1))


def peaked(
    coupler: Coupler, switch: SwitchParams, aiming: AimingParams, seed: int, inputs: Ports,
    outputs: Ports, start_rad: Array,
) -> Array:  # fmt: skip
    """Return the tilts (C, 4) from the exact aim after a search on received power. [rad]

    The loss is known to be a quadratic form of the four tilts whose matrix the design gives, so
    that only its peak is unknown. Each round probes both ways along the four axes of the form, by a
    step that costs `probe_db` at the peak; half the difference of each pair is linear in the
    distance from the peak, whatever the loss there. Nothing but power is read.

    Parameters
    ----------
    coupler : Coupler
        The switch as built.
    switch : SwitchParams
        As designed: what the search believes.
    aiming : AimingParams
        Noise of the meter, step, rounds.
    seed : int
        Draws the noise.
    inputs, outputs : (C,) ndarray of int
        Ports.
    start_rad : (C, 4) ndarray
        Where the search starts. [rad]
    """
    stiffness, axes = np.linalg.eigh(design_form(switch, inputs, outputs))
    step = np.sqrt(aiming.probe_db / stiffness)  # (C, 4) rad along each axis
    at = np.array(start_rad)
    for number in range(aiming.rounds):
        found = np.zeros_like(at)
        for k in range(4):
            loss = []
            for way in (1, -1):
                probe = at + way * step[:, k, None] * axes[:, :, k]
                read = coupler.couple(inputs, outputs, probe, band=False)
                item = METER_ITEM + (number * 4 + k) * 2 + (way > 0)
                drawn = normals((seed, Stream.AIMING), inputs, outputs, item)[:, 0]
                loss.append(read.band_db[:, 0] + aiming.meter_noise_db * drawn)
            readable = np.maximum(*loss) < NO_READING_DB
            found[:, k] = np.where(
                readable, (loss[0] - loss[1]) / (4.0 * step[:, k] * stiffness[:, k]), 0.0
            )
        at -= np.einsum("cik,ck->ci", axes, found)
    return at


def peaking_loss_db(aiming: AimingParams) -> float:
    """Return the mean loss that the meter's noise leaves after a search on a true quadratic form.

    Along each axis the distance comes out with a variance of s^2/(8 q p), s being the noise, q the
    stiffness and p the probe's cost; four axes make s^2/(2 p). [dB]
    """
    return aiming.meter_noise_db**2 / (2.0 * aiming.probe_db)
