"""Drive channels and mirrors, tick by tick."""

import numpy as np

from sim.foundations.ports import Array
from sim.mirror.motion import Asked, Forcing, Moving
from sim.mirror.propagator import Drive, Fleet


def advance(
    moving: Moving, history: Array, first: int, last: int, asked: Asked, forcing: Forcing,
    fleet: Fleet, drive: Drive,
) -> None:  # fmt: skip
    """Move the fleet through ticks `first` to `last` of one frame, in place.

    Each step is exact for the linear mirror (see `sim.mirror.propagator.propagator`); the cubic
    spring acts as half a kick before and half after (Strang splitting), which makes the whole of
    second order.

    Parameters
    ----------
    moving : Moving
        Changed.
    history : (N + 1, 2, M) ndarray
        Tilt after each tick; rows `first` + 1 to `last` are written. [rad]
    first, last : int
        Ticks of the frame to move through.
    asked, forcing : Asked, Forcing
        What is asked of the drive, and what else acts, in this frame.
    fleet, drive : Fleet, Drive
        Constants.
    """
    tilt, rate, volt, stops = moving
    n_ticks = history.shape[0] - 1
    path = np.broadcast_to(asked.path_rad, (n_ticks, *asked.path_rad.shape[1:]))
    acceleration = forcing.acceleration_m_s2
    gain_rise = forcing.gain_end - forcing.gain_start
    rest_rise = forcing.rest_end_rad - forcing.rest_start_rad
    s = fleet.step
    kick = 0.5 * drive.step_s * fleet.stiffness * fleet.cubic[:, None]
    travel = fleet.travel_rad[:, None]
    for n in range(first, last):
        correction = asked.before_rad if n < asked.change_tick else asked.after_rad
        wanted = _code(path[n] + correction, fleet, drive)
        hit = np.zeros(tilt.shape[1], bool)
        for i in range(drive.substeps):
            w = np.array([i, i + 1]) / drive.substeps
            x = (n + w) / n_ticks
            gain = 1.0 + forcing.gain_start + gain_rise * x
            u0 = _coupled(_asked(volt, fleet, drive) * gain[0], fleet)
            volt[...] = _amplified(volt, wanted, drive)
            if i == drive.substeps - 1 and len(forcing.noise):
                volt += drive.noise_v * forcing.noise[n].astype(np.float64)
            u1 = _coupled(_asked(volt, fleet, drive) * gain[1], fleet)
            f0, f1 = (
                np.einsum("akm,k->am", fleet.imbalance,
                          acceleration[n] + w[e] * (acceleration[n + 1] - acceleration[n]))
                + fleet.stiffness * (forcing.rest_start_rad + x[e] * rest_rise)
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
    return asked + fleet.cross * asked[::-1]


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
