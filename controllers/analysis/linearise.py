"""Any controller of the seam as matrices: what its `step` does to small signals."""

from collections.abc import Iterator
from dataclasses import fields, is_dataclass, replace
from typing import Any, NamedTuple

import numpy as np

from sim.ports import Array, Setpoint, TiltReading

SMALL_RAD = 2.0**-20
"""Size of the test signals, near 1 urad; a power of two, so that linear controllers are exact."""
FAR_RAD = 1e6
"""Limits that no test signal reaches. [rad]"""
WARM_UP = 4
"""Frames at rest before the controller is taken as running. [-]"""
PROOF_FRAMES = 64
PROOF = 1e-6
"""Largest relative difference between matrices and controller. [-]"""


class LinearController(NamedTuple):
    """x[k+1] = A x[k] + B e[k], u[k] = C x[k] + D e[k], for one mirror with both its axes."""

    A: Array
    """(n, n)"""
    B: Array
    """(n, 2) from the mismatch (x, y). [rad]"""
    C: Array
    """(2, n) to the correction (x, y). [rad]"""
    D: Array
    """(2, 2)"""


def linearise(controller: Any) -> LinearController:
    """Return the matrices of a controller, from trial steps.

    Every floating-point number in the controller's state is moved a little, and so is the reading;
    the differences of what `step` returns are the columns. Numbers that influence nothing are left
    out. The result is then held against the controller itself on random readings, so that a
    controller that is not linear in small signals is refused and not described wrongly. Limits,
    lost spots and anything that depends on size are outside a linear description.

    Parameters
    ----------
    controller : Controller
        Any part with `initial_state` and `step` (see `sim.ports.Controller`).

    Returns
    -------
    LinearController

    Raises
    ------
    ValueError
        If the matrices do not reproduce the controller's answers.
    """
    state = controller.initial_state(1)
    for _ in range(WARM_UP):
        state, _ = _step(controller, state, np.zeros(2))
    rest = _flat(state)
    after, base = _answer(controller, state, np.zeros(2))
    n = len(rest)
    A, B, C, D = np.zeros((n, n)), np.zeros((n, 2)), np.zeros((2, n)), np.zeros((2, 2))
    for i in range(n):
        moved = rest.copy()
        moved[i] += SMALL_RAD
        x, u = _answer(controller, _with(state, moved), np.zeros(2))
        A[:, i], C[:, i] = (x - after) / SMALL_RAD, (u - base) / SMALL_RAD
    for axis in (0, 1):
        x, u = _answer(controller, state, SMALL_RAD * np.eye(2)[axis])
        B[:, axis], D[:, axis] = (x - after) / SMALL_RAD, (u - base) / SMALL_RAD
    linear = _pruned(LinearController(A, B, C, D))
    _prove(controller, linear)
    return linear


def _step(controller: Any, state: Any, error_rad: Array) -> tuple[Any, Array]:
    wide = np.full((1, 2), FAR_RAD)
    reading = TiltReading(-error_rad[None], np.zeros(1, np.uint8))
    state, correction = controller.step(state, reading, Setpoint(np.zeros((1, 2)), -wide, wide))
    return state, np.asarray(correction, dtype=float)[0]


def _answer(controller: Any, state: Any, error_rad: Array) -> tuple[Array, Array]:
    following, correction = _step(controller, state, error_rad)
    return _flat(following), correction


def _prove(controller: Any, linear: LinearController) -> None:
    """Run controller and matrices side by side."""
    errors = SMALL_RAD * np.random.default_rng(1).standard_normal((WARM_UP + PROOF_FRAMES, 2))
    errors[:WARM_UP] = 0.0
    state, x = controller.initial_state(1), np.zeros(len(linear.A))
    rest = np.zeros(2)
    worst, largest = 0.0, 0.0
    for k, error in enumerate(errors):
        state, got = _step(controller, state, error)
        if k < WARM_UP:
            rest = got
            continue
        expected = linear.C @ x + linear.D @ error
        x = linear.A @ x + linear.B @ error
        largest = max(largest, float(np.abs(got - rest).max()))
        worst = max(worst, float(np.abs(got - rest - expected).max()))
    if not worst <= PROOF * max(largest, SMALL_RAD):
        raise ValueError(
            f"controller must be linear and time-invariant in small signals: after {PROOF_FRAMES} "
            f"random readings its correction differs by {worst / max(largest, SMALL_RAD):.2g} of "
            "its largest from what its own matrices say"
        )


def _pruned(linear: LinearController) -> LinearController:
    """Leave out states that nothing moves, and states that move nothing."""
    A, B, C, D = linear
    while len(A):
        off = A - np.diag(np.diag(A))
        silent = ~off.any(axis=0) & ~C.any(axis=0)
        still = ~off.any(axis=1) & ~B.any(axis=1)
        keep = ~(silent | still)
        if keep.all():
            break
        A, B, C = A[np.ix_(keep, keep)], B[keep], C[:, keep]
    return LinearController(A, B, C, D)


def _flat(state: Any) -> Array:
    """Return every floating-point number of a state, in a fixed order."""
    leaves = [np.ravel(leaf) for leaf in _leaves(state)]
    return np.concatenate(leaves).astype(float) if leaves else np.zeros(0)


def _leaves(state: Any) -> Iterator[Any]:
    if isinstance(state, np.ndarray | np.generic):
        if np.issubdtype(state.dtype, np.floating):
            yield state
    elif isinstance(state, float):
        yield state
    elif (children := _children(state)) is not None:
        for child in children.values():
            yield from _leaves(child)


def _children(state: Any) -> dict[Any, Any] | None:
    """Return what a state is made of, by name or place; None if it cannot be looked into."""
    if isinstance(state, dict):
        return state
    if is_dataclass(state) and not isinstance(state, type):
        return {f.name: getattr(state, f.name) for f in fields(state)}
    if isinstance(state, tuple | list):
        return dict(enumerate(state))
    return None


def _with(state: Any, numbers: Array) -> Any:
    """Return the state with its floating-point numbers replaced."""
    rest = list(numbers)

    def rebuilt(part: Any) -> Any:
        if isinstance(part, np.ndarray | np.generic):
            if not np.issubdtype(part.dtype, np.floating):
                return part
            size = np.size(part)
            new = np.array(rest[:size]).reshape(np.shape(part)).astype(part.dtype)
            del rest[:size]
            return new
        if isinstance(part, float):
            return float(rest.pop(0))
        children = _children(part)
        if children is None:
            return part
        new_children = {key: rebuilt(child) for key, child in children.items()}
        if isinstance(part, dict):
            return new_children
        if is_dataclass(part) and not isinstance(part, type):
            return replace(part, **new_children)
        if hasattr(part, "_fields"):
            return type(part)(*new_children.values())
        return type(part)(new_children.values())

    return rebuilt(state)
