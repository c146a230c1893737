"""Gains of the LQG controller for one axis."""

import math
from typing import Annotated, NamedTuple

import numpy as np
import scipy

from controllers.kalman import steady_kalman, steady_regulator
from controllers.sections import below_nyquist
from sim.foundations.params import Block, between
from sim.foundations.ports import Array


class LineParams(Block):
    """A narrow band of vibration: white noise through a damped oscillator.

    Valid below half the frame rate, above which the readings show another frequency, and for
    lines of up to 0.1 rad.
    """

    frequency_hz: Annotated[float, between(1e-3, 1e6)]
    """Centre, below half the frame rate. [Hz]"""
    bandwidth_hz: Annotated[float, between(1e-6, 1e6)]
    """Half-power width; the line is forgotten with the time constant 1 / (pi bandwidth). [Hz]"""
    rms_urad: Annotated[float, between(1e-6, 1e5)]
    """Rms tilt error that it causes on each axis. [urad]"""


class LqgGains(NamedTuple):
    """Model and gains of one axis; the state is (mirror and held corrections, drift, lines)."""

    A: Array
    """(n, n) transition over a frame."""
    B: Array
    """(n, 1) effect of the correction."""
    C: Array
    """(1, n) mismatch (tilt minus reference) that a reading shows."""
    L: Array
    """(n, 1) filter gain."""
    K: Array
    """(1, n) feedback: correction = last correction - K estimate."""


def disturbance_model(
    frame_s: float, drift_urad_per_sqrt_s: float, lines: tuple[LineParams, ...]
) -> tuple[Array, Array, Array]:
    """Return (A, C, Q) of random walk plus lines, in urad: d[k+1] = A d[k] + w, C d its sum.

    Raises
    ------
    ValueError
        If a line lies above half the frame rate.
    """
    A_blocks, C_parts = [np.eye(1)], [1.0]
    Q_parts = [drift_urad_per_sqrt_s**2 * frame_s]
    for line in lines:
        below_nyquist(line.frequency_hz, frame_s, what="lqg line frequency_hz")
        decay = math.exp(-math.pi * line.bandwidth_hz * frame_s)
        angle = 2.0 * math.pi * line.frequency_hz * frame_s
        c, s = math.cos(angle), math.sin(angle)
        A_blocks.append(decay * np.array([[c, -s], [s, c]]))
        C_parts += [1.0, 0.0]
        Q_parts += [line.rms_urad**2 * (1.0 - decay**2)] * 2
    return scipy.linalg.block_diag(*A_blocks), np.array([C_parts]), np.diag(Q_parts)


def design(
    A: Array,
    B: Array,
    C: Array,
    *,
    frame_s: float,
    drift_urad_per_sqrt_s: float,
    noise_urad: float,
    mirror_noise_urad: float,
    control_weight: float,
    lines: tuple[LineParams, ...],
) -> LqgGains:
    """Return model and gains that make the mean of mismatch^2 + weight (change of u)^2 least.

    The regulator is solved for the mirror alone; its response to the disturbance, which it cannot
    influence, follows from a linear (Sylvester) equation. That avoids a Riccati equation with the
    random walk's eigenvalue on the unit circle, which has no stabilising solution.

    Parameters
    ----------
    A, B, C : ndarray
        One axis of controllers.sampled_model: (n, n), (n, 1), (1, n).
    frame_s : float
        Frame period. [s]
    drift_urad_per_sqrt_s, noise_urad, mirror_noise_urad, control_weight, lines
        As in the controller's parameters.

    Returns
    -------
    LqgGains
        For the state (mirror, drift, lines).

    Raises
    ------
    ValueError
        If a line lies above half the frame rate, or the weights are too far apart to solve for.

    References
    ----------
    .. [1] K. J. Astrom and B. Wittenmark, Computer-Controlled Systems, 3rd ed., 1997, the chapter
       on optimal design (state-space approach). From memory.
    """
    A_d, C_d, Q_d = disturbance_model(frame_s, drift_urad_per_sqrt_s, lines)
    n = len(A)
    # The regulator's input is the change of the correction; u[k-1] is the mirror's fourth state.
    A_v = A.copy()
    A_v[:, 3:4] += B
    at_rest = np.array([[1.0], [1.0], [0.0]])
    from_noise = np.zeros((n, 1))
    from_noise[:3] = at_rest - A[:3, :3] @ at_rest  # a static tilt held over one frame
    A_all, C_all = scipy.linalg.block_diag(A, A_d), np.hstack([C, C_d])
    Q_all = scipy.linalg.block_diag(mirror_noise_urad**2 * from_noise @ from_noise.T, Q_d)
    try:
        K_mirror, cost = steady_regulator(A_v, B, C.T @ C, np.array([[control_weight]]))
        L = steady_kalman(A_all, C_all, Q_all, np.array([[noise_urad**2]])).gain
    except scipy.linalg.LinAlgError as exc:
        raise ValueError(
            f"lqg: no steady filter or regulator for control_weight={control_weight:g}, "
            f"noise_urad={noise_urad:g}, drift_urad_per_sqrt_s={drift_urad_per_sqrt_s:g}: "
            f"bring them closer together ({exc})"
        ) from exc
    closed = A_v - B @ K_mirror
    system = np.eye(n * len(A_d)) - np.kron(A_d.T, closed.T)
    cross = np.linalg.solve(system, (C.T @ C_d).flatten(order="F"))
    cross = cross.reshape((n, len(A_d)), order="F")
    K_disturbance = (B.T @ cross @ A_d) / (control_weight + B.T @ cost @ B)
    B_all = np.vstack([B, np.zeros((len(A_d), 1))])
    return LqgGains(A_all, B_all, C_all, L, np.hstack([K_mirror, K_disturbance]))
