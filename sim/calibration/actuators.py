"""Gain and cross-axis coupling of every mirror, from a staircase of its drive that a camera reads.

Mirrors stand still at each step: the wait covers the ringing, and each step is the static
equilibrium of drive, cross-axis coupling and stiffening spring.
"""

from typing import Final, NamedTuple

import numpy as np
import scipy
from numpy.typing import NDArray

from sim.calibration.procedure import FIRST_FRAME, Estimate
from sim.calibration.settings import CalibrationParams
from sim.camera.lens import Lens, SeesTilts
from sim.camera.measurement import Measurement
from sim.camera.settings import window_origin
from sim.foundations.ports import Array, SpotStatus
from sim.mirror.propagator import Drive, Fleet

NAME: Final = "actuator staircase"
FIRST: Final = 400_000
RUNG_OUT: Final = 1e-3
"""Part of a step that is left of the ringing when it is read."""
NEWTON: Final = 20


class Rig(NamedTuple):
    """Mirrors, drives and cameras, as they are and as they are believed."""

    fleet: Fleet
    drive: Drive
    nominal_gain: float
    """Tilt per volt of the nominal drive, or per volt squared."""
    reach_rad: float
    """End of the staircase. [rad]"""
    lens: Lens
    believed_lens: SeesTilts
    measurement: Measurement


class Staircase(NamedTuple):
    """What was asked and seen at J steps."""

    asked_rad: Array
    """(J, M, 2) static tilt that the codes ask of a nominal, linear mirror. [rad]"""
    spot_px: Array
    """(J, M, 2) mean reading, against the spot of the untilted mirror; NaN: lost. [px]"""
    flux_dn: Array
    """(M,) mean light of the readings. [DN]"""


def calibration_tilts(settings: CalibrationParams, reach_rad: float) -> Array:
    """Return the steps (J, 2): along x, then along y, from end to end. [rad]"""
    along = np.linspace(-reach_rad, reach_rad, settings.steps)
    still = np.zeros_like(along)
    return np.concatenate([np.stack([along, still], 1), np.stack([still, along], 1)])


def wait_s(resonance_hz: tuple[float, float], quality: tuple[float, float]) -> float:
    """Return how long ringing takes to fall to `RUNG_OUT`, for the slower of the nominal axes. [s]

    The envelope of a resonator is exp(-pi f t / Q).
    """
    return max(
        q * np.log(1.0 / RUNG_OUT) / (np.pi * f) for f, q in zip(resonance_hz, quality, strict=True)
    )


def climb(rig: Rig, settings: CalibrationParams, first: int = 0) -> Staircase:
    """Take the mirrors through the staircase, all at once, and read every step.

    `first` numbers the first frame, for the noise.
    """
    asked, seen, light = [], [], []
    frame = FIRST_FRAME + FIRST + first
    for wanted in calibration_tilts(settings, rig.reach_rad):
        volts = _volts(wanted, rig)
        asked.append(np.broadcast_to(_nominal(volts, rig), (rig.fleet.cross.shape[1], 2)))
        tilt = equilibrium(
            _driven(volts, rig.fleet.true_gain, rig), rig.fleet.cross, rig.fleet.cubic
        )
        expected = equilibrium(
            asked[-1].T, np.zeros_like(rig.fleet.cross), rig.fleet.cubic
        )
        spots, flux = _read(rig, tilt, expected, settings.step_frames, frame)
        seen.append(spots)
        light.append(flux)
        frame += settings.step_frames
    lit = np.array(light)
    count = np.maximum(np.isfinite(lit).sum(axis=0), 1)
    return Staircase(np.array(asked), np.array(seen), np.nansum(lit, axis=0) / count)


def equilibrium(asked: Array, cross: Array, cubic: Array) -> Array:
    """Return the tilts (M, 2) at which springs balance what is asked (2, M) of the drives. [rad]

    The spring's torque goes as tilt (1 + k3 tilt^2); solved by Newton's method.
    """
    wanted = asked + cross * asked[::-1]
    k = cubic[:, None]
    tilt = wanted.copy()
    for _ in range(NEWTON):
        tilt = tilt - (tilt * (1.0 + k * tilt**2) - wanted) / (1.0 + 3.0 * k * tilt**2)
    return np.ascontiguousarray(tilt.T)


def _volts(wanted_rad: Array, rig: Rig) -> Array:
    """Return the voltages (2,) of the codes nearest to a tilt of the nominal mirror. [V]"""
    ratio = wanted_rad / rig.nominal_gain
    if rig.drive.square:
        ratio = np.copysign(np.sqrt(np.abs(ratio)), ratio)
    code = np.clip(np.rint(ratio / rig.drive.lsb_v), -rig.drive.codes, rig.drive.codes - 1)
    return np.asarray(rig.drive.lsb_v * code)


def _nominal(volts: Array, rig: Rig) -> Array:
    return rig.nominal_gain * (volts * np.abs(volts) if rig.drive.square else volts)


def _driven(volts: Array, gain: Array, rig: Rig) -> Array:
    """Return what voltages (2,) ask of true drives with gains (2, M). [rad]"""
    power = volts * np.abs(volts) if rig.drive.square else volts
    return np.asarray(gain * power[:, None])


def _read(
    rig: Rig, tilt_rad: Array, expected_rad: Array, frames: int, first: int
) -> tuple[Array, Array]:
    """Return mean readings (M, 2) [px] and light (M,) [DN] of mirrors that stand; NaN: lost."""
    measurement = rig.measurement
    origin = window_origin(rig.believed_lens.spots_px(expected_rad), measurement.window_px)
    place = np.ascontiguousarray((rig.lens.spots_px(tilt_rad) - origin).T[None])
    spots, light = [], []
    for k in range(frames):
        read = measurement.read(place, first + k, origin)
        ok = read.status == SpotStatus.OK
        spots.append(np.where(ok[:, None], read.spot_px + origin, np.nan))
        light.append(np.where(ok, read.flux_dn, np.nan))
    stack, lit = np.array(spots), np.array(light)
    count = np.isfinite(lit).sum(axis=0)
    safe = np.where(count > 0, count, np.nan)
    return np.nansum(stack, axis=0) / safe[:, None], np.nansum(lit, axis=0) / safe


class Actuators(NamedTuple):
    """Gain and coupling of M mirrors; NaN where too few steps were read."""

    gain: Array
    """(M, 2) tilt per volt over that of the nominal drive. [-]"""
    cross_axis: Array
    """(M, 2) share of the other axis' drive. [-]"""
    gain_deviation: Array
    """(M, 2)"""
    cross_deviation: Array
    """(M, 2)"""
    freedom: int
    """Degrees of freedom of the deviations, with every step read."""


def fit_actuators(asked_rad: Array, tilt_rad: Array, cubic: Array) -> Actuators:
    """Fit the matrix from what is asked of both drives to what each axis does.

    Parameters
    ----------
    asked_rad : (J, M, 2) ndarray
        Static tilt asked of the nominal mirror. [rad]
    tilt_rad : (J, M, 2) ndarray
        Tilt as read; NaN: lost. [rad]
    cubic : (2,) ndarray
        Stiffening of the springs, as known. [1/rad^2]

    Returns
    -------
    Actuators
        Deviations from the scatter about each mirror's own fit.

    Notes
    -----
    For axis a: tilt (1 + k3 tilt^2) = rest + G_aa u_a + G_ab u_b, by least squares. The gain is
    G_aa, and the coupling G_ab / G_bb: what reaches axis a of the *other drive's own* tilt.
    """
    steps, mirrors, _ = asked_rad.shape
    effort = tilt_rad * (1.0 + cubic * tilt_rad**2)
    matrix = np.full((mirrors, 2, 2), np.nan)
    deviation = np.full((mirrors, 2, 2), np.nan)
    for m in range(mirrors):
        ok = np.isfinite(effort[:, m]).all(axis=1)
        design = np.concatenate([np.ones((steps, 1)), asked_rad[:, m]], axis=1)[ok]
        if ok.sum() < 5 or np.linalg.matrix_rank(design) < 3:
            continue
        inverse = np.linalg.inv(design.T @ design)
        fitted = inverse @ design.T @ effort[ok, m]
        left = effort[ok, m] - design @ fitted
        variance = (left**2).sum(axis=0) / (ok.sum() - 3)
        matrix[m] = fitted[1:].T
        deviation[m] = np.sqrt(np.outer(variance, np.diag(inverse)[1:]))
    gain = np.stack([matrix[:, 0, 0], matrix[:, 1, 1]], axis=1)
    cross = np.stack([matrix[:, 0, 1], matrix[:, 1, 0]], axis=1) / gain[:, ::-1]
    return Actuators(
        gain, cross, np.stack([deviation[:, 0, 0], deviation[:, 1, 1]], axis=1),
        np.stack([deviation[:, 0, 1], deviation[:, 1, 0]], axis=1) / np.abs(gain[:, ::-1]),
        steps - 3,
    )  # fmt: skip


class Spread(NamedTuple):
    """How far the table of all mirrors is off, foreseen and in truth."""

    gain_pct: float
    gain_true_pct: float
    cross_pct: float
    cross_true_pct: float
    gain_covered: float
    """Share of the intervals of 95 % that hold the truth."""
    unread: NDArray[np.int64]
    """Columns of mirrors that could not be read."""


def spread_of(
    found: Actuators, gain: Array, cross: Array, scale_deviation: float = 0.0
) -> Spread:
    """Hold a table against the truth (M, 2).

    `scale_deviation` is the relative one of the camera's scale, which all gains share.
    """
    ok = np.isfinite(found.gain).all(axis=1)
    each = np.hypot(found.gain_deviation[ok], scale_deviation)
    wide = scipy.special.stdtrit(found.freedom, 0.975)
    error, other = found.gain[ok] - gain[ok], found.cross_axis[ok] - cross[ok]
    return Spread(
        100.0 * float(np.sqrt(np.mean(each**2))), 100.0 * float(np.sqrt(np.mean(error**2))),
        100.0 * float(np.sqrt(np.mean(found.cross_deviation[ok] ** 2))),
        100.0 * float(np.sqrt(np.mean(other**2))), float(np.mean(np.abs(error) < wide * each)),
        np.flatnonzero(~ok),
    )  # fmt: skip


def actuator_estimates(spread: Spread) -> list[Estimate]:
    """Return what is foreseen of the table's errors, against the truth."""
    return [
        Estimate(NAME, "gain of a mirror, error", "% rms", spread.gain_pct, None, None,
                 spread.gain_true_pct),
        Estimate(NAME, "cross-axis share of a mirror, error", "% rms", spread.cross_pct, None, None,
                 spread.cross_true_pct),
    ]  # fmt: skip
