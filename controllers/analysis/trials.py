"""Trial steps of a controller of the port: its matrices, as far as it is linear."""

from typing import Any, NamedTuple

import numpy as np

from controllers.analysis.state_numbers import state_numbers, with_numbers
from sim.foundations.ports import Array, Setpoint, TiltReading

SMALL_RAD = 2.0**-20
"""Size of the test signals, near 1 urad; a power of two, so that linear controllers are exact."""
FAR_RAD = 1e6
"""Limits that no test signal reaches. [rad]"""
WARM_UP = 4
"""Frames at rest before the controller is taken as running. [-]"""


class LinearController(NamedTuple):
    """x[k+1] = A x[k] + B e[k], u[k] = C x[k] + D e[k], for a mirror with both its axes.

    The leading axis has one entry for each mirror, or a single one that holds for all.
    """

    A: Array
    """(1 or M, n, n)"""
    B: Array
    """(1 or M, n, 2) from the mismatch (x, y). [rad]"""
    C: Array
    """(1 or M, 2, n) to the correction (x, y). [rad]"""
    D: Array
    """(1 or M, 2, 2)"""


def by_trial(controller: Any, m: int, size: float = SMALL_RAD) -> LinearController:
    """Return the matrices of each mirror, from trial steps of a size. [rad]"""
    state, quiet = warmed_up(controller, m), np.zeros((m, 2))
    rest = state_numbers(state, m)
    after, base = _reaction(controller, state, quiet)
    n = rest.shape[1]
    A, B = np.zeros((m, n, n)), np.zeros((m, n, 2))
    C, D = np.zeros((m, 2, n)), np.zeros((m, 2, 2))
    for i in range(n):
        moved = rest.copy()
        moved[:, i] += size
        x, u = _reaction(controller, with_numbers(state, moved), quiet)
        A[:, :, i], C[:, :, i] = (x - after) / size, (u - base) / size
    for axis in (0, 1):
        x, u = _reaction(controller, state, size * np.tile(np.eye(2)[axis], (m, 1)))
        B[:, :, axis], D[:, :, axis] = (x - after) / size, (u - base) / size
    return LinearController(A, B, C, D)


def warmed_up(controller: Any, m: int) -> Any:
    """Return the state after some frames at rest."""
    state = controller.initial_state(m)
    for _ in range(WARM_UP):
        state, _ = free_step(controller, state, np.zeros((m, 2)))
    return state


def free_step(controller: Any, state: Any, error_rad: Array) -> tuple[Any, Array]:
    """Return (next state, correction (M, 2)) for a mismatch (M, 2), without limits. [rad]

    Raises
    ------
    ValueError
        If the correction has another shape, or is not finite.
    """
    wide = np.full(error_rad.shape, FAR_RAD)
    reading = TiltReading(-error_rad, np.zeros(len(error_rad), np.uint8))
    setpoint = Setpoint(np.zeros(error_rad.shape), -wide, wide)
    state, correction = controller.step(state, reading, setpoint)
    correction = np.asarray(correction, dtype=float)
    if correction.shape != error_rad.shape:
        raise ValueError(
            f"a correction must be (M, 2), here {error_rad.shape}; got {correction.shape}"
        )
    if not np.isfinite(correction).all():
        raise ValueError(
            f"the correction for a mismatch of {np.abs(error_rad).max():.3g} rad is not finite "
            f"(got {correction[~np.isfinite(correction)][0]})"
        )
    return state, correction


def _reaction(controller: Any, state: Any, error_rad: Array) -> tuple[Array, Array]:
    following, correction = free_step(controller, state, error_rad)
    return state_numbers(following, len(error_rad)), correction
