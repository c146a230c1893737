"""Any controller of the port as matrices: from the law that it states, or from trial steps."""

from collections.abc import Sequence
from typing import Any

import numpy as np

from controllers.analysis.nonlinearity import NotLinearError, look_into
from controllers.analysis.trials import SMALL_RAD, WARM_UP, LinearController, by_trial, free_step
from sim.foundations.ports.linear_law import LawMatrices, LinearLaw, RoundsLaw, states_law

__all__ = ["LinearController", "amplitudes_for", "linearise", "of_law"]
AMPLITUDES_RAD = (SMALL_RAD, 2.0**-15, 2.0**-12)
"""At which linearity is proven where no scatter is known: near 1, 30 and 240 urad."""
PROOF_FRAMES = 64
PROOF = 1e-6
"""Largest relative difference between matrices and controller. [-]"""
PROVEN_MIRRORS = 8
"""Of a stated law that all mirrors share, so many are run."""
LEAST_GAIN = 1e-3
"""Corrections below this share of the readings are held to it. [-]"""


def amplitudes_for(scatter_rad: float) -> tuple[float, ...]:
    """Return sizes for the proof: a microradian, the readings' scatter, ten times that. [rad]"""
    return (SMALL_RAD, max(scatter_rad, SMALL_RAD), max(10.0 * scatter_rad, 4.0 * SMALL_RAD))


def linearise(
    controller: Any, n_mirrors: int = 1, amplitudes_rad: Sequence[float] = AMPLITUDES_RAD
) -> LinearController:
    """Return the matrices of a controller.

    A controller that states its law (`sim.foundations.ports.linear_law.StatesLaw`) is taken by its
    word. Of any other every floating-point number of the state is moved a little, and so is the
    reading; the differences of what `step` returns are the columns. Numbers that influence nothing
    are left out.
    The result is then held against the controller itself, mirror by mirror, on random readings of
    several sizes, so that a controller that is not linear there (a dead band, a gain that depends
    on size, rounding) is refused and not described wrongly. Limits and lost spots are outside a
    linear description.

    A controller in whole numbers (`sim.foundations.ports.linear_law.RoundsLaw`) is described by the
    law that its coefficients stand for. It is held to that within the most that its roundings can
    do.

    Parameters
    ----------
    controller : Controller
        Any part with `initial_state` and `step` (see `sim.foundations.ports.Controller`).
    n_mirrors : int
        Mirrors that it is for; one whose gains differ by mirror gets matrices for each.
    amplitudes_rad : sequence of float
        Sizes of those readings; `amplitudes_for` gives them from the scatter of a camera. [rad]

    Returns
    -------
    LinearController

    Raises
    ------
    NotLinearError
        If the matrices do not reproduce what the controller gives: a ValueError that says what was
        seen, with the static nonlinearity if that is all that keeps the controller from it.
    ValueError
        If a correction has the wrong shape.
    """
    stated = states_law(controller) or isinstance(controller, RoundsLaw)
    if isinstance(controller, RoundsLaw):
        linear = of_law(controller.rounded_law())
    elif stated:
        linear = of_law(controller.linear_law())
    else:
        linear = _shared(by_trial(controller, n_mirrors))
    linear = _pruned(linear)
    shared = stated and len(linear.A) == 1
    proven = min(n_mirrors, PROVEN_MIRRORS) if shared else n_mirrors
    for amplitude_rad in amplitudes_rad:
        fault = _fault(controller, linear, proven, amplitude_rad)
        if fault:
            seen, found = look_into(controller, n_mirrors, amplitudes_rad)
            raise NotLinearError(f"{fault}; {seen}", found)
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


def _fault(controller: Any, linear: LinearController, m: int, amplitude_rad: float) -> str | None:
    """Run controller and matrices side by side on readings that scatter by `amplitude_rad`.

    Return how they differ, None if they do not; each mirror is held to its own corrections.
    """
    rng = np.random.default_rng(1)
    errors = amplitude_rad * rng.standard_normal((WARM_UP + PROOF_FRAMES, m, 2))
    errors[:WARM_UP] = 0.0
    state, x = controller.initial_state(m), np.zeros((m, linear.A.shape[-1], 1))
    rest = np.zeros((m, 2))
    worst, largest = np.zeros(m), np.full(m, LEAST_GAIN * amplitude_rad)
    allowed = np.zeros((1, 2))
    if isinstance(controller, RoundsLaw):
        allowed = controller.rounding_bound_rad(WARM_UP + PROOF_FRAMES)[:m]
    for k, error in enumerate(errors):
        state, got = free_step(controller, state, error)
        if k < WARM_UP:
            rest = got
            continue
        e = error[..., None]
        expected = (linear.C @ x + linear.D @ e)[..., 0]
        x = linear.A @ x + linear.B @ e
        largest = np.maximum(largest, np.abs(got - rest).max(axis=1))
        difference = np.maximum(np.abs(got - rest - expected) - 2 * allowed, 0.0).max(axis=1)
        worst = np.maximum(worst, np.where(np.isfinite(difference), difference, np.inf))
    ratio = worst / np.where(np.isfinite(largest), largest, 1.0)
    i = int(ratio.argmax())
    if ratio[i] <= PROOF:
        return None
    where = f" of mirror {i + 1} of {m}" if m > 1 else ""
    return (
        f"controller must be linear and time-invariant: after {PROOF_FRAMES} random readings of "
        f"{1e6 * amplitude_rad:.3g} urad its correction{where} differs by {ratio[i]:.2g} of its "
        "largest from what its own matrices say"
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
