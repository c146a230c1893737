"""How few connections have to be measured so that a table holds for all of them.

What a connection asks of its mirrors beyond the drawing is, to first order, a sum: a part that
belongs to the input port whatever the output (its collimator, its mirror, its array), a part that
belongs to the output, and the gain of the mirror itself, which goes with the tilt. N + M ports have
a few numbers each; a few connections of each port give more equations than there are unknowns, and
the fit then predicts all N x M.
"""

import math
from typing import NamedTuple

import numpy as np
from scipy.sparse.linalg import LinearOperator, lsqr

from sim.foundations.ports import Array
from sim.foundations.rng import Stream, normals
from sim.optics.geometry import connect
from sim.studies.connections.aim import GAIN_ITEM
from sim.studies.connections.coupler import Ports
from sim.studies.connections.table import Maker

READING_ITEM = 300
SAMPLE = 4096
GOLDEN = 0.5 * (math.sqrt(5.0) - 1.0)


class CalibrationEffort(NamedTuple):
    """What a number of measured connections a port gives."""

    per_port: int
    measured: int
    error_rms_urad: float
    """Of the tilts that the fit says for connections never measured, per axis."""
    error_max_urad: float


def calibrated_table(maker: Maker, per_port: int, reading_urad: float) -> CalibrationEffort:
    """Measure some connections of each port, fit, and compare with the truth.

    Parameters
    ----------
    maker : Maker
        The switch.
    per_port : int
        Connections measured of each input port.
    reading_urad : float
        Standard deviation of one measured tilt, per axis. [urad]

    Returns
    -------
    CalibrationEffort
    """
    n_in, n_out = maker.geometry.ports_per_side, maker.geometry.ports_out
    turn = np.arange(n_in)[:, None] * max(1, n_out // n_in)
    spread = np.arange(per_port)[None, :] * max(1, n_out // per_port)
    outputs = ((turn + spread + 7 * np.arange(per_port)[None, :] ** 2) % n_out).ravel()
    inputs = np.repeat(np.arange(n_in), per_port)
    pairs = np.unique(np.stack([inputs, outputs], axis=1), axis=0)
    inputs, outputs = pairs.T
    noise = np.concatenate(
        [normals((maker.seed, Stream.AIMING), inputs, outputs, READING_ITEM + k) for k in (0, 1)],
        axis=1,
    )
    asked = _asked(maker, inputs, outputs) + 1e-6 * reading_urad * noise
    design = _design(maker, inputs, outputs)
    others = evenly(maker.n_connections, SAMPLE)
    others = others[~np.isin(others, inputs * n_out + outputs)]
    far_in, far_out = np.divmod(others, n_out)
    truth, far_design = _asked(maker, far_in, far_out), _design(maker, far_in, far_out)
    errors = np.empty_like(truth)
    for axis in range(4):
        own, far_own = (inputs, far_in) if axis < 2 else (outputs, far_out)
        shape = (n_in, n_out)
        near = _equations(inputs, outputs, own, design[:, axis], shape)
        far = _equations(far_in, far_out, far_own, far_design[:, axis], shape)
        fitted = lsqr(near, asked[:, axis] - design[:, axis], atol=1e-11, btol=1e-11)[0]
        errors[:, axis] = far_design[:, axis] + far @ fitted - truth[:, axis]
    return CalibrationEffort(
        per_port, len(inputs), float(1e6 * np.sqrt(np.mean(errors**2))),
        float(1e6 * np.abs(errors).max()),
    )  # fmt: skip


def evenly(count: int, at_most: int) -> Ports:
    """Return some of `count` numbers, evenly spread; all of them if they are few.

    Numbers are taken in steps of the golden section, with no divisor in common with `count`: of
    connections counted row by row, inputs and outputs all come, equally often but for one or two.
    """
    if count <= at_most:
        return np.arange(count)
    step = next(s for s in range(round(GOLDEN * count), 2 * count) if math.gcd(s, count) == 1)
    return np.sort(np.arange(at_most, dtype=np.int64) * step % count)


def _design(maker: Maker, inputs: Ports, outputs: Ports) -> Array:
    found = connect(maker.geometry, inputs, outputs)
    return np.concatenate([found.tilt_a_rad, found.tilt_b_rad], axis=1)


def _asked(maker: Maker, inputs: Ports, outputs: Ports) -> Array:
    """Return the tilts (C, 4) that the drive must be asked for, through each mirror's own gain."""
    tilts = maker.coupler.couple(inputs, outputs, np.zeros((len(inputs), 4)), band=False).tilt_rad
    spread = 0.01 * maker.mirror.gain_spread_pct
    gains = []
    for side, ports in enumerate((inputs, outputs)):
        known, back = np.unique(ports, return_inverse=True)
        drawn = normals((maker.seed, Stream.AIMING), known, 0, GAIN_ITEM + side)
        gains.append(1.0 + spread * np.clip(drawn, -3.0, 3.0)[back])
    return np.asarray(tilts / np.concatenate(gains, axis=1))


def _equations(
    inputs: Ports, outputs: Ports, own: Ports, tilt: Array, shape: tuple[int, int]
) -> LinearOperator:
    """Return the equations of C tilts in what N inputs, M outputs and their mirrors add."""
    n_in, n_out = shape
    ends = n_in + n_out
    unknowns = ends + max(shape)

    def tilts(ports: Array) -> Array:
        ports = ports.ravel()
        return np.asarray(
            ports[:n_in][inputs] + ports[n_in:ends][outputs] + 10.0 * tilt * ports[ends:][own]
        )

    def transposed(tilts: Array) -> Array:
        tilts = tilts.ravel()
        return np.concatenate([
            np.bincount(inputs, tilts, n_in), np.bincount(outputs, tilts, n_out),
            np.bincount(own, 10.0 * tilt * tilts, unknowns - ends),
        ])  # fmt: skip

    return LinearOperator(
        (len(inputs), unknowns), matvec=tilts, rmatvec=transposed, dtype=np.float64
    )
