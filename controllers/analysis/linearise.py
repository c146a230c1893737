"""Any controller of the port as matrices: from the law that it states, or from trial steps."""

from typing import Any, NamedTuple

import numpy as np

from controllers.analysis.state_numbers import numbers_of, with_numbers
from sim.ports import Array, Setpoint, TiltReading
from sim.ports.linear_law import LawMatrices, LinearLaw, states_law

SMALL_RAD = 2.0**-20
"""Size of the test signals, near 1 urad; a power of two, so that linear controllers are exact."""
FAR_RAD = 1e6
"""Limits that no test signal reaches. [rad]"""
WARM_UP = 4
"""Frames at rest before the controller is taken as running. [-]"""
AMPLITUDES_RAD = (SMALL_RAD, 2.0**-15, 2.0**-12)
"""At which linearity is proven: near 1, 30 and 240 urad, from below the readings' scatter to ten
times it."""
PROOF_FRAMES = 64
PROOF = 1e-6
"""Largest relative difference between matrices and controller. [-]"""


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


def linearise(controller: Any, n_mirrors: int = 1) -> LinearController:
    """Return the matrices of a controller.

    A controller that states its law (`sim.ports.linear_law.StatesLaw`) is taken by its word. Of any
    other every floating-point number of the state is moved a little, and so is the reading; the
    differences of what `step` returns are the columns. Numbers that influence nothing are left out.
    The result is then held against the controller itself on random readings of three sizes, from 1
    to 240 urad, so that a controller that is not linear there (a dead band, a gain that depends on
    size, rounding) is refused and not described wrongly. Limits and lost spots are outside a linear
    description.

    Parameters
    ----------
    controller : Controller
        Any part with `initial_state` and `step` (see `sim.ports.Controller`).
    n_mirrors : int
        Mirrors that it is for; one whose gains differ by mirror gets matrices for each.

    Returns
    -------
    LinearController

    Raises
    ------
    ValueError
        If the matrices do not reproduce what the controller gives.
    """
    if states_law(controller):
        linear = of_law(controller.linear_law())
    else:
        linear = _shared(_by_trial(controller, n_mirrors))
    linear = _pruned(linear)
    for amplitude_rad in AMPLITUDES_RAD:
        _prove(controller, linear, n_mirrors, amplitude_rad)
    return linear


def of_law(law: LinearLaw) -> LinearController:
    """Return the matrices of a law inside its limits, for mirrors that are seen."""
    s, n = len(law.sections), len(law.conditional)
    m = max(law.sections.shape[1], *(part.shape[0] for part in law.seen))
    size = 2 * s + n + 1
    A, B = np.zeros((m, 2 * size, 2 * size)), np.zeros((m, 2 * size, 2))
    C, D = np.zeros((m, 2, 2 * size)), np.zeros((m, 2, 2))
    for axis in (0, 1):
        # Signals are rows over (filters, states, last correction, mismatch).
        row = np.eye(size + 1)
        after = np.zeros((m, size, size + 1))
        value = np.broadcast_to(row[-1], (m, size + 1))
        for i, section in enumerate(law.sections[:, :, axis]):
            b0, b1, b2, a1, a2 = section.T[..., None]
            filtered = b0 * value + row[2 * i]
            after[:, 2 * i] = b1 * value - a1 * filtered + row[2 * i + 1]
            after[:, 2 * i + 1] = b2 * value - a2 * filtered
            value = filtered
        own = LawMatrices(*(part[:, axis] for part in law.seen))
        states, last = row[2 * s : 2 * s + n], row[size - 1]
        x = own.A @ states + own.B[..., None] * value[:, None] + own.G[..., None] * last
        after[:, 2 * s : 2 * s + n] = x
        wanted = (own.C[:, None] @ x)[:, 0] if n else 0.0
        after[:, size - 1] = wanted + own.D[:, None] * value + own.H[:, None] * last
        here = slice(axis * size, (axis + 1) * size)
        A[:, here, here], B[:, here, axis] = after[..., :-1], after[..., -1]
        C[:, axis, here], D[:, axis, axis] = after[:, size - 1, :-1], after[:, size - 1, -1]
    return LinearController(A, B, C, D)


def _by_trial(controller: Any, m: int) -> LinearController:
    """Return the matrices of each mirror, from trial steps."""
    state = controller.initial_state(m)
    quiet = np.zeros((m, 2))
    for _ in range(WARM_UP):
        state, _ = _step(controller, state, quiet)
    rest = numbers_of(state, m)
    after, base = _answer(controller, state, quiet)
    n = rest.shape[1]
    A, B = np.zeros((m, n, n)), np.zeros((m, n, 2))
    C, D = np.zeros((m, 2, n)), np.zeros((m, 2, 2))
    for i in range(n):
        moved = rest.copy()
        moved[:, i] += SMALL_RAD
        x, u = _answer(controller, with_numbers(state, moved), quiet)
        A[:, :, i], C[:, :, i] = (x - after) / SMALL_RAD, (u - base) / SMALL_RAD
    for axis in (0, 1):
        x, u = _answer(controller, state, SMALL_RAD * np.tile(np.eye(2)[axis], (m, 1)))
        B[:, :, axis], D[:, :, axis] = (x - after) / SMALL_RAD, (u - base) / SMALL_RAD
    return LinearController(A, B, C, D)


def _step(controller: Any, state: Any, error_rad: Array) -> tuple[Any, Array]:
    wide = np.full(error_rad.shape, FAR_RAD)
    reading = TiltReading(-error_rad, np.zeros(len(error_rad), np.uint8))
    setpoint = Setpoint(np.zeros(error_rad.shape), -wide, wide)
    state, correction = controller.step(state, reading, setpoint)
    correction = np.asarray(correction, dtype=float)
    if correction.shape != error_rad.shape:
        raise ValueError(
            f"a correction must be (M, 2), here {error_rad.shape}; got {correction.shape}"
        )
    return state, correction


def _answer(controller: Any, state: Any, error_rad: Array) -> tuple[Array, Array]:
    following, correction = _step(controller, state, error_rad)
    return numbers_of(following, len(error_rad)), correction


def _prove(controller: Any, linear: LinearController, m: int, amplitude_rad: float) -> None:
    """Run controller and matrices side by side on readings that scatter by `amplitude_rad`."""
    rng = np.random.default_rng(1)
    errors = amplitude_rad * rng.standard_normal((WARM_UP + PROOF_FRAMES, m, 2))
    errors[:WARM_UP] = 0.0
    state, x = controller.initial_state(m), np.zeros((m, linear.A.shape[-1], 1))
    rest = np.zeros((m, 2))
    worst, largest = 0.0, 0.0
    for k, error in enumerate(errors):
        state, got = _step(controller, state, error)
        if k < WARM_UP:
            rest = got
            continue
        e = error[..., None]
        expected = (linear.C @ x + linear.D @ e)[..., 0]
        x = linear.A @ x + linear.B @ e
        largest = max(largest, float(np.abs(got - rest).max()))
        difference = np.abs(got - rest - expected).max()
        worst = max(worst, float(difference)) if np.isfinite(difference) else np.inf
    scale = max(largest, amplitude_rad)
    if not worst <= PROOF * scale:
        raise ValueError(
            f"controller must be linear and time-invariant: after {PROOF_FRAMES} random readings "
            f"of {1e6 * amplitude_rad:.3g} urad its correction differs by {worst / scale:.2g} of "
            "its largest from what its own matrices say"
        )


def _shared(linear: LinearController) -> LinearController:
    """Return one entry for all mirrors where they do not differ."""
    alike = all(
        np.allclose(part, part[:1], rtol=1e-12, atol=1e-12 * max(1.0, float(np.abs(part).max())))
        for part in linear
        if part.size
    )
    return LinearController(*(part[:1] for part in linear)) if alike else linear


def _pruned(linear: LinearController) -> LinearController:
    """Leave out states that nothing moves, and states that move nothing."""
    A, B, C, D = linear
    while A.shape[-1]:
        moves = (A != 0).any(axis=0)
        np.fill_diagonal(moves, False)
        silent = ~moves.any(axis=0) & ~C.any(axis=(0, 1))
        still = ~moves.any(axis=1) & ~B.any(axis=(0, 2))
        keep = ~(silent | still)
        if keep.all():
            break
        A, B, C = A[:, keep][:, :, keep], B[:, keep], C[:, :, keep]
    return LinearController(A, B, C, D)
