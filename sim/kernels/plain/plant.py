"""Drive channels and mirrors, tick by tick."""

import numpy as np
from numpy.typing import NDArray

from sim.mirror.propagator import Drive, Fleet
from sim.ports import Array


def advance(
    tilt: Array, rate: Array, volt: Array, stops: NDArray, history: Array,
    first: int, last: int, path: Array, before: Array, after: Array, change: int,
    acceleration: Array, rest_start: Array, rest_end: Array, gain_start: float, gain_end: float,
    noise: NDArray, fleet: Fleet, drive: Drive,
) -> None:  # fmt: skip
    """Move the fleet through ticks `first` to `last` of one frame, in place.

    Each step is exact for the linear mirror (see `sim.mirror.propagator.propagator`); the cubic
    spring acts as half a kick before and half after (Strang splitting), which makes the whole of
    second order.

    Parameters
    ----------
    tilt, rate, volt : (2, M) ndarray
        State: tilt [rad], rate [rad/s], amplifier output [V]; changed.
    stops : (M,) ndarray of int
        Ticks spent against a stop, added to.
    history : (N + 1, 2, M) ndarray
        Tilt after each tick; rows `first` + 1 to `last` are written. [rad]
    first, last : int
        Ticks of the frame to move through.
    path : (N, 2, M) or (1, 2, M) ndarray
        Feed-forward, as static tilt asked for, in each tick, or in all of them. [rad]
    before, after : (2, M) ndarray
        Correction held until tick `change`, and from it on. [rad]
    change : int
        Tick at which a new correction takes over.
    acceleration : (N + 1, 3) ndarray
        Core acceleration at tick edges. [m/s^2]
    rest_start, rest_end : (2, M) ndarray
        Rest angle at the frame's ends. [rad]
    gain_start, gain_end : float
        Relative change of the drive's gain at the frame's ends. [-]
    noise : (N, 2, M) ndarray, or of length 0
        Standard normals of the amplifier.
    fleet, drive : Fleet, Drive
        Constants.
    """
    n_ticks = history.shape[0] - 1
    path = np.broadcast_to(path, (n_ticks, *path.shape[1:]))
    s = fleet.step
    kick = 0.5 * drive.step_s * fleet.stiffness * fleet.cubic[:, None]
    travel = fleet.travel_rad[:, None]
    for n in range(first, last):
        wanted = _code(path[n] + (before if n < change else after), fleet, drive)
        hit = np.zeros(tilt.shape[1], bool)
        for i in range(drive.substeps):
            w = np.array([i, i + 1]) / drive.substeps
            x = (n + w) / n_ticks
            gain = 1.0 + gain_start + (gain_end - gain_start) * x
            u0 = _coupled(_asked(volt, fleet, drive) * gain[0], fleet)
            volt[...] = _amplified(volt, wanted, drive)
            if i == drive.substeps - 1 and len(noise):
                volt += drive.noise_v * noise[n].astype(np.float64)
            u1 = _coupled(_asked(volt, fleet, drive) * gain[1], fleet)
            f0, f1 = (
                np.einsum("akm,k->am", fleet.imbalance,
                          acceleration[n] + w[e] * (acceleration[n + 1] - acceleration[n]))
                + fleet.stiffness * (rest_start + x[e] * (rest_end - rest_start))
                for e in (0, 1)
            )  # fmt: skip
            inputs = (tilt.copy(), rate - kick * tilt**3, u0, u1, f0, f1)
            new = sum(s[j] * inputs[j] for j in range(6))
            new_rate = sum(s[6 + j] * inputs[j] for j in range(6))
            over = np.abs(new) > travel
            new_rate = np.where(over & (new_rate * new > 0), 0.0, new_rate)
            new = np.clip(new, -travel, travel)
            new_rate -= kick * new**3
            hit |= over.any(axis=0)
            tilt[...], rate[...] = new, new_rate
        stops += hit
        history[n + 1] = tilt


def _asked(volt: Array, fleet: Fleet, drive: Drive) -> Array:
    """Static tilt that the voltages ask for."""
    return fleet.true_gain * (volt * np.abs(volt) if drive.square else volt)


def _coupled(asked: Array, fleet: Fleet) -> Array:
    return asked + fleet.cross[:, None] * asked[::-1]


def _code(asked: Array, fleet: Fleet, drive: Drive) -> Array:
    """Voltages of the DAC codes nearest to a wanted static tilt."""
    ratio = asked * (1.0 / fleet.believed_gain)
    if drive.square:
        ratio = np.copysign(np.sqrt(np.abs(ratio)), ratio)
    code = np.floor(ratio * (1.0 / drive.lsb_v) + 0.5)
    return drive.lsb_v * np.clip(code, -drive.codes, drive.codes - 1)


def _amplified(volt: Array, wanted: Array, drive: Drive) -> Array:
    """Amplifier output one step later: a first-order lag whose slope is limited."""
    gap = wanted - volt
    size = np.abs(gap)
    lagged = volt + gap * (1.0 - drive.decay)
    ramp_s = np.maximum(size - drive.slew_v, 0.0) * drive.lag_s / drive.slew_v
    slewed = volt + np.copysign(drive.slew_v * drive.step_s / drive.lag_s, gap)
    left = drive.slew_v * np.exp(-np.maximum(drive.step_s - ramp_s, 0.0) / drive.lag_s)
    mixed = wanted - np.copysign(left, gap)
    late = np.where(ramp_s >= drive.step_s, slewed, mixed)
    return np.where(size <= drive.slew_v, lagged, late)
