"""The closed loop of every mirror: frequency response, stability, noise and response in time."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from controllers.analysis.linearise import LinearController
from controllers.analysis.plant import Plant, plant_response
from sim.foundations.ports import Array

Complex = NDArray[np.complex128]
DOUBLINGS = 40
"""Squarings of the transition before a covariance is taken as settled: 2^40 frames."""
LEAST_FACTOR = 1e-3
FACTOR_HALVINGS = 16
"""For 1e-4 of the gain."""
LOWEST = 1e-5
"""Lowest frequency of the grid, as a share of the frame rate. [-]"""


class Loop(NamedTuple):
    """One controller on M mirrors, both axes."""

    controller: LinearController
    plant: Plant


class ClosedLoop(NamedTuple):
    """x[k+1] = A x[k] + N n[k], reading without noise y[k] = Y x[k]; n is noise on the reading.

    A disturbance that adds to the tilt enters as noise does, and adds to y directly; a reference
    enters as noise with the opposite sign.
    """

    A: Array
    """(M, n, n): plant of axis x, of axis y, controller."""
    N: Array
    """(M, n, 2)"""
    Y: Array
    """(M, 2, n)"""


def frequency_grid(loop: Loop, n_points: int = 1600) -> Array:
    """Return frequencies (F,) up to half the frame rate, closer where the controller is sharp. [Hz]

    A third of the points are spaced evenly in the logarithm, the rest evenly; each lightly damped
    pole of the controller gets a cluster of its own.

    Parameters
    ----------
    loop : Loop
        Controller and plant.
    n_points : int
        Evenly spaced ones; the clusters come on top.

    Returns
    -------
    (F,) ndarray
        Rising, above 0. [Hz]
    """
    nyquist_hz = 0.5 / loop.plant.frame_s
    points = [
        np.geomspace(2.0 * LOWEST * nyquist_hz, nyquist_hz, n_points // 3),
        np.linspace(0.0, nyquist_hz, n_points - n_points // 3 + 1)[1:],
    ]
    for pole in np.unique(np.linalg.eigvals(loop.controller.A)):
        if 0.9 < abs(pole) < 1.5 and pole.imag > 0:
            width_hz = max(abs(1.0 - abs(pole)), 1e-6) / (2 * np.pi * loop.plant.frame_s)
            around = np.geomspace(0.02, 50.0, 60) * width_hz
            centre = np.angle(pole) / (2 * np.pi * loop.plant.frame_s)
            points.append(np.concatenate([centre - around, [centre], centre + around]))
    grid = np.unique(np.concatenate(points))
    return grid[(grid > 0) & (grid <= nyquist_hz)]


def controller_response(
    controller: LinearController, frequency_hz: Array, frame_s: float
) -> Complex:
    """Return correction per mismatch (F, 1 or M, 2, 2)."""
    z = np.exp(2j * np.pi * frequency_hz * frame_s)[:, None, None, None]
    n = controller.A.shape[-1]
    if n == 0:
        return np.broadcast_to(controller.D + 0j, (len(frequency_hz), *controller.D.shape)).copy()
    resolvent = np.linalg.solve(z * np.eye(n) - controller.A, controller.B + 0 * z)
    return np.asarray(controller.C @ resolvent + controller.D, dtype=complex)


def loop_gain(loop: Loop, frequency_hz: Array) -> Complex:
    """Return L (F, M, 2, 2), the loop broken at the readings of both axes.

    Parameters
    ----------
    loop : Loop
        Controller and plant of M mirrors.
    frequency_hz : (F,) ndarray
        Up to half the frame rate. [Hz]

    Returns
    -------
    (F, M, 2, 2) ndarray
        From mismatch (x, y) to tilt (x, y). [rad/rad]
    """
    control = controller_response(loop.controller, frequency_hz, loop.plant.frame_s)
    return plant_response(loop.plant, frequency_hz) @ control


def sensitivity(gain: Complex) -> Complex:
    """Return S = (I + L)^-1 (..., 2, 2) of a loop gain."""
    a, b = 1.0 + gain[..., 0, 0], gain[..., 0, 1]
    c, d = gain[..., 1, 0], 1.0 + gain[..., 1, 1]
    rows = np.stack([np.stack([d, -b], -1), np.stack([-c, a], -1)], -2)
    return rows / (a * d - b * c)[..., None, None]


def axis_gain(sensitivity_2x2: Complex) -> Complex:
    """Return the loop gain (..., 2) of each axis with the other axis' loop closed: 1/S_aa - 1."""
    own = np.stack([sensitivity_2x2[..., 0, 0], sensitivity_2x2[..., 1, 1]], -1)
    return 1.0 / own - 1.0


def largest_singular_value(matrix: Complex) -> Array:
    """Return the largest singular value of (..., 2, 2) matrices, in closed form."""
    square = (np.abs(matrix) ** 2).sum(axis=(-2, -1))
    determinant = matrix[..., 0, 0] * matrix[..., 1, 1] - matrix[..., 0, 1] * matrix[..., 1, 0]
    inner = np.maximum(square**2 - 4.0 * np.abs(determinant) ** 2, 0.0)
    return np.sqrt(0.5 * (square + np.sqrt(inner)))


def plant_matrices(plant: Plant) -> tuple[Array, Array, Array]:
    """Return A (M, 2p, 2p), B (M, 2p, 2) and C (M, 2, 2p) of both axes together."""
    model = plant.model
    m, _, p, _ = model.A.shape
    A, B, C = np.zeros((m, 2 * p, 2 * p)), np.zeros((m, 2 * p, 2)), np.zeros((m, 2, 2 * p))
    for axis in (0, 1):
        own = slice(axis * p, (axis + 1) * p)
        A[:, own, own] = model.A[:, axis]
        B[:, own] = model.B[:, axis] * plant.mix[:, axis : axis + 1]
        C[:, axis : axis + 1, own] = model.C[:, axis]
    return A, B, C


def close(loop: Loop) -> ClosedLoop:
    """Return the closed loop of every mirror."""
    A, B, C = plant_matrices(loop.plant)
    control = loop.controller
    m, p, n = A.shape[0], A.shape[-1], control.A.shape[-1]
    whole, noise = np.zeros((m, p + n, p + n)), np.zeros((m, p + n, 2))
    read = np.zeros((m, 2, p + n))
    whole[:, :p, :p] = A - B @ control.D @ C
    whole[:, :p, p:] = B @ control.C
    whole[:, p:, :p] = -control.B @ C
    whole[:, p:, p:] = control.A
    noise[:, :p], noise[:, p:] = -B @ control.D, -control.B
    read[:, :, :p] = C
    return ClosedLoop(whole, noise, read)


def growth(closed: ClosedLoop) -> Array:
    """Return the largest factor per frame (M,) by which a closed loop's motion grows; < 1 stable.

    A state at exactly 1 that the loop cannot move (an integral that nothing feeds) is not looked
    for; the shipped controllers have none after `linearise`.
    """
    return np.abs(np.linalg.eigvals(closed.A)).max(axis=-1)


def gain_to_fall(loop: Loop) -> Array:
    """Return the factor (M,) on both axes' gain at which an unstable loop becomes stable.

    NaN for a stable loop, and where no gain down to `LEAST_FACTOR` helps. Found by halving, taking
    the loop to stay stable below.
    """
    unstable = growth(close(loop)) >= 1.0
    m = len(unstable)

    def stable(factor: Array) -> NDArray[np.bool_]:
        f = factor[:, None, None]
        control = loop.controller._replace(C=loop.controller.C * f, D=loop.controller.D * f)
        return np.asarray(growth(close(loop._replace(controller=control))) < 1.0)

    low, high = np.full(m, np.log(LEAST_FACTOR)), np.zeros(m)
    if not unstable.any():
        return np.full(m, np.nan)
    helps = stable(np.exp(low))
    for _ in range(FACTOR_HALVINGS):
        middle = 0.5 * (low + high)
        keeps = stable(np.exp(middle))
        low, high = np.where(keeps, middle, low), np.where(keeps, high, middle)
    return np.where(unstable & helps, np.exp(low), np.nan)


def covariance(closed: ClosedLoop, drive: Array) -> Array:
    """Return the stationary covariance (M, n, n) of states driven by white noise B w.

    Solves P = A P A' + B B' by squaring; meaningless where the loop is not stable.

    Parameters
    ----------
    closed : ClosedLoop
        The loops.
    drive : (M, n, k) ndarray
        B, for k independent inputs of variance 1.
    """
    A, P = closed.A, drive @ np.swapaxes(drive, -1, -2)
    for _ in range(DOUBLINGS):
        P = P + A @ P @ np.swapaxes(A, -1, -2)
        A = A @ A
        if np.abs(A).max() < 1e-30:
            break
    return P


def noise_gain(closed: ClosedLoop) -> Array:
    """Return (M, 2): variance of the exposure-mean tilt over that of white noise on the reading.

    Both axes are equally noisy. NaN where the loop is not stable.

    Parameters
    ----------
    closed : ClosedLoop
        Loops of M mirrors.

    Returns
    -------
    (M, 2) ndarray
        Of axes x and y. [-]
    """
    stable = growth(closed) < 1.0
    calm = ClosedLoop(closed.A * stable[:, None, None], closed.N, closed.Y)
    P = covariance(calm, calm.N)
    variance = np.einsum("mai,mij,maj->ma", closed.Y, P, closed.Y)
    return np.where(stable[:, None], variance, np.nan)


class Response(NamedTuple):
    """What a closed loop does frame by frame."""

    reading: Array
    """(K, M, 2) exposure mean of the tilt, the disturbance included."""
    states: Array
    """(K, M, 2, p) states of the sampled mirrors at each frame's start."""
    sent: Array
    """(K, M, 2) static tilt that each correction makes of both axes."""


def time_response(loop: Loop, disturbance: Array, reference: Array | None = None) -> Response:
    """Return what happens after a disturbance of the tilt and a reference, each (K, M, 2).

    Both are exposure means.
    """
    closed, control = close(loop), loop.controller
    p = loop.plant.model.A.shape[-1]
    readings, states, corrections = np.empty_like(disturbance), [], []
    x = np.zeros((*closed.A.shape[:2], 1))
    for k, d in enumerate(disturbance):
        r = np.zeros_like(d) if reference is None else reference[k]
        readings[k] = (closed.Y @ x)[..., 0] + d
        states.append(x[:, : 2 * p, 0])
        e = (r - readings[k])[..., None]
        corrections.append((control.C @ x[:, 2 * p :] + control.D @ e)[..., 0])
        x = closed.A @ x + closed.N @ (d - r)[..., None]
    held = np.stack(states).reshape(len(disturbance), -1, 2, p)
    sent = np.einsum("mab,kmb->kma", loop.plant.mix, np.stack(corrections))
    return Response(readings, held, sent)
