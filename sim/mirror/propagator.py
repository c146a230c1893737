"""Mirrors and drive as the kernels take them: exact propagators and flat arrays, (2, M)."""

import math
from typing import NamedTuple

import numpy as np
import scipy

from sim.foundations.ports import Array
from sim.mirror.drive import DriveParams
from sim.mirror.population import MirrorParams, Population


class Fleet(NamedTuple):
    """All that is fixed about the mirrors, unless temperature changes their resonance."""

    step: Array
    """(12, 2, M) one-step propagator, see `propagator`."""
    stiffness: Array
    """(2, M) squared resonance. [rad^2/s^2]"""
    imbalance: Array
    """(2, 3, M) [(rad/s^2)/(m/s^2)]"""
    true_gain: Array
    """(2, M) tilt per volt, or per volt squared."""
    believed_gain: Array
    """(2, M) the same, as calibrated."""
    cross: Array
    """(2, M) share of the other axis' drive."""
    cubic: Array
    """(2,) hardening stiffness. [1/rad^2]"""
    travel_rad: Array
    """(2,) stops. [rad]"""


class Drive(NamedTuple):
    """All that is fixed about the drive channels."""

    square: bool
    """Single-sided combs: torque as voltage squared."""
    lsb_v: float
    codes: float
    """Codes each way: -codes to codes - 1."""
    decay: float
    """exp(-step/lag) of the amplifier."""
    lag_s: float
    slew_v: float
    """Gap at which the lag's slope reaches the slew limit. [V]"""
    step_s: float
    substeps: int
    """Integration steps in a drive tick."""
    noise_v: float
    """Standard deviation of the noise added each tick. [V]"""


def propagator(resonance_rad_s: Array, quality: Array, lag_s: float, step_s: float) -> Array:
    """Exact one-step propagator of the linear mirror behind its amplifier.

    Over a step the static tilt asked for goes from u0 to u1 along the amplifier's exponential,
    and the forcing f (angular acceleration) from f0 to f1 along a straight line.

    Parameters
    ----------
    resonance_rad_s, quality : (...) ndarray
        Of each axis. [rad/s], [-]
    lag_s, step_s : float
        Amplifier time constant and step. [s]

    Returns
    -------
    (12, ...) ndarray
        Factors of (tilt, rate, u0, u1, f0, f1) in the next tilt, then in the next rate.

    References
    ----------
    .. [1] C. F. Van Loan, IEEE Trans. Autom. Control 23 (1978) 395: integrals by the exponential
       of an augmented matrix.
    """
    w2 = resonance_rad_s**2
    generator = np.zeros((*np.shape(resonance_rad_s), 6, 6))
    # State: tilt, rate, u, the value u runs towards, f, slope of f.
    generator[..., 0, 1] = 1.0
    generator[..., 1, 0] = -w2
    generator[..., 1, 1] = -resonance_rad_s / quality
    generator[..., 1, 2] = w2
    generator[..., 1, 4] = 1.0
    generator[..., 2, 2] = -1.0 / lag_s
    generator[..., 2, 3] = 1.0 / lag_s
    generator[..., 4, 5] = 1.0
    phi = scipy.linalg.expm(generator * step_s)
    decay = math.exp(-step_s / lag_s)
    rows = []
    for i in (0, 1):
        towards = phi[..., i, 3] / (1.0 - decay)
        slope = phi[..., i, 5] / step_s
        rows += [
            phi[..., i, 0],
            phi[..., i, 1],
            phi[..., i, 2] - decay * towards,
            towards,
            phi[..., i, 4] - slope,
            slope,
        ]
    return np.ascontiguousarray(np.stack(rows))


def make_drive(params: DriveParams, substeps: int) -> Drive:
    """Return the drive's constants for `substeps` integration steps in a tick."""
    lag_s = 1.0 / (2e3 * math.pi * params.amplifier_khz)
    tick_s = 1e-3 / params.update_khz
    step_s = tick_s / substeps
    codes = 2.0 ** (params.bits - 1)
    return Drive(
        square=params.comb == "single_sided",
        lsb_v=params.swing_v / codes,
        codes=codes,
        decay=math.exp(-step_s / lag_s),
        lag_s=lag_s,
        slew_v=1e6 * params.slew_v_per_us * lag_s,
        step_s=step_s,
        substeps=substeps,
        noise_v=params.noise_v * math.sqrt(-math.expm1(-2.0 * tick_s / lag_s)),
    )


def make_fleet(
    params: MirrorParams, population: Population, gain: float, drive: Drive
) -> Fleet:
    """Return the mirrors' constants; `gain` is the nominal tilt per volt (or volt squared)."""
    true_gain = gain * population.gain_ratio
    return Fleet(
        step=propagator(population.resonance_rad_s.T, population.quality.T, drive.lag_s,
                        drive.step_s),
        stiffness=np.ascontiguousarray(population.resonance_rad_s.T**2),
        imbalance=np.ascontiguousarray(population.imbalance.transpose(1, 2, 0)),
        true_gain=np.ascontiguousarray(true_gain.T),
        believed_gain=np.ascontiguousarray((true_gain * population.calibration_ratio).T),
        cross=np.ascontiguousarray(population.cross_axis.T),
        cubic=np.array(params.cubic_per_rad2),
        travel_rad=1e-3 * np.array(params.travel_mrad),
    )


NODE = 1e-3
"""Relative changes of resonance, this far apart, for which propagators are worked out. Between them
they follow by a cubic through four: with less than a radian a step its error is below 1e-13 of each
factor. [-]"""
Nodes = dict[int, Array]
"""Propagators at multiples of `NODE`."""


def with_resonance_change(
    fleet: Fleet, population: Population, change: float, drive: Drive, nodes: Nodes | None = None
) -> tuple[Fleet, Nodes]:
    """Return the fleet with every resonance changed by the relative amount `change`.

    The stiffness changes, so the static tilt per volt changes the other way; that part belongs to
    the drive's gain and is not repeated here.

    Parameters
    ----------
    fleet : Fleet
        As it is without the change.
    population : Population
        Its mirrors.
    change : float
        [-]
    drive : Drive
        The drive's constants.
    nodes : Nodes, optional
        Those of a change before, to be used again. They change how long it takes, no bit of it.

    Returns
    -------
    Fleet
    Nodes
        The four that were used.
    """
    nodes = {} if nodes is None else nodes
    at = change / NODE
    low = math.floor(at)
    used: Nodes = {}
    for k in range(low - 1, low + 3):
        used[k] = nodes[k] if k in nodes else propagator(
            (1.0 + k * NODE) * population.resonance_rad_s.T, population.quality.T, drive.lag_s,
            drive.step_s,
        )  # fmt: skip
    x = at - low  # Lagrange's weights of nodes at -1, 0, 1, 2
    weights = (
        -x * (x - 1.0) * (x - 2.0) / 6.0, (x + 1.0) * (x - 1.0) * (x - 2.0) / 2.0,
        -(x + 1.0) * x * (x - 2.0) / 2.0, (x + 1.0) * x * (x - 1.0) / 6.0,
    )  # fmt: skip
    step = np.zeros_like(fleet.step)
    for weight, node in zip(weights, used.values(), strict=True):
        step += weight * node
    resonance = (1.0 + change) * population.resonance_rad_s.T
    return fleet._replace(step=step, stiffness=np.ascontiguousarray(resonance**2)), used
