"""A control law as numbers: filter sections, a state space, limits, and what a lost spot does.

Everything else follows from it: a controller's `step`, the compiled loop, the linear analysis.
"""

from typing import Any, NamedTuple, Protocol, runtime_checkable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sim.foundations.ports.array import Array


class LawMatrices(NamedTuple):
    """x[k] = A x[k-1] + B e[k] + G u[k-1] and w[k] = C x[k] + D e[k] + H u[k-1], axis by axis.

    e is the mismatch behind the filter sections, u the correction that the limits granted, w the
    one that is wanted. The leading shape is (1, 2) for a law that all mirrors share, or (M, 2).
    """

    A: Array
    """(..., n, n) from the states."""
    B: Array
    """(..., n) from the mismatch."""
    G: Array
    """(..., n) from the last correction granted: limits reach the states through it."""
    C: Array
    """(..., n) from the states of the same frame."""
    D: Array
    """(...) from the mismatch."""
    H: Array
    """(...) from the last correction granted."""

    @classmethod
    def of(
        cls, n: int, *, A: ArrayLike = 0.0, B: ArrayLike = 0.0, G: ArrayLike = 0.0,
        C: ArrayLike = 0.0, D: ArrayLike = 0.0, H: ArrayLike = 0.0,
    ) -> "LawMatrices":  # fmt: skip
        """Return the matrices of n states, each broadcast to (1, 2) or (M, 2) and its own shape."""
        inner = ((n, n), (n,), (n,), (n,), (), ())
        full = []
        for value, shape in zip((A, B, G, C, D, H), inner, strict=True):
            array = np.asarray(value, dtype=float)
            wanted = np.broadcast_shapes(array.shape, (1, 2, *shape))
            full.append(np.broadcast_to(array, wanted).copy())
        return cls(*full)


class LinearLaw(NamedTuple):
    """What a controller does with a mismatch, as long as it is linear, and where it is not.

    The mismatch passes `sections`, then `seen`; the correction u[k] is w[k] cut off at the limits.
    A lost mirror takes `lost` in place of it, without a mismatch, and its sections stand still.
    """

    sections: Array
    """(s, 1 or M, 2, 5) as [b0, b1, b2, a1, a2], transposed direct form II, in series."""
    seen: LawMatrices
    """For a mirror with a reading."""
    lost: LawMatrices
    """For a mirror without; B and D are not used."""
    conditional: NDArray[np.bool_]
    """(n,) states that stand still while their change would press the correction against its
    limit, and that are cut off at the limits themselves (conditional integration)."""
    previous: NDArray[np.bool_]
    """(n,) states that are the last frame's mismatch; NaN after a lost frame, and then the present
    mismatch stands in for it."""
    standing: Array
    """(1 or M, 2, n) states at rest under a correction of 1 without a mismatch."""

    @classmethod
    def of(
        cls, seen: LawMatrices, lost: LawMatrices, *, sections: ArrayLike | None = None,
        conditional: ArrayLike | None = None, previous: ArrayLike | None = None,
        standing: ArrayLike = 0.0,
    ) -> "LinearLaw":  # fmt: skip
        """Return a law; without sections, conditional or previous states where none are given."""
        n = seen.B.shape[-1]
        no = np.zeros(n, dtype=bool)
        at_rest = np.asarray(standing, dtype=float)
        shape = np.broadcast_shapes(at_rest.shape, (1, 2, n))
        return cls(
            np.zeros((0, 1, 2, 5)) if sections is None else np.asarray(sections, dtype=float),
            seen,
            lost,
            no if conditional is None else np.asarray(conditional, dtype=bool),
            no if previous is None else np.asarray(previous, dtype=bool),
            np.broadcast_to(at_rest, shape).copy(),
        )


class LawState(NamedTuple):
    """What a law remembers."""

    states: Array
    """(M, 2, n)"""
    correction_rad: Array
    """(M, 2) the last correction granted. [rad]"""
    filters_rad: Array
    """(M, 2, s, 2) memory of the filter sections. [rad]"""


@runtime_checkable
class RoundsLaw(Protocol):
    """A controller that computes a law in whole numbers, and says how far that is from the law."""

    def rounded_law(self) -> LinearLaw:
        """Return the law that its coefficients stand for."""
        ...

    def rounding_density(self, frequency_hz: Array, frame_s: float) -> Array:
        """Return what rounding adds to the correction, loop open (F, 1 or M, 2). [rad^2/Hz]"""
        ...

    def rounding_bound_rad(self, frames: int) -> Array:
        """Return how far roundings of so many frames can move the correction (1 or M, 2). [rad]"""
        ...


@runtime_checkable
class StatesLaw(Protocol):
    """A controller that states its law; its state is a `LawState`, its `step` that of the law."""

    def linear_law(self) -> LinearLaw:
        """Return the law."""
        ...

    def initial_state(self, n_mirrors: int) -> LawState:
        """Return the state before the first frame."""
        ...


def states_law(controller: Any) -> bool:
    """Whether a controller states its law, and no heir of it has changed its `step` since."""
    if not isinstance(controller, StatesLaw):
        return False

    def owner(name: str) -> type:
        return next(kind for kind in type(controller).__mro__ if name in vars(kind))

    return issubclass(owner("linear_law"), owner("step"))


def faults(law: LinearLaw, n_mirrors: int) -> tuple[str, ...]:
    """Return what is wrong with the shapes and numbers of a law for M mirrors."""
    n = len(law.conditional)
    inner = {"A": (n, n), "B": (n,), "G": (n,), "C": (n,), "D": (), "H": ()}
    arrays = {
        f"{name}.{key}": (getattr(part, key), shape)
        for name, part in (("seen", law.seen), ("lost", law.lost))
        for key, shape in inner.items()
    } | {"standing": (law.standing, (n,))}
    found = []
    for name, (array, shape) in arrays.items():
        if array.shape not in ((1, 2, *shape), (n_mirrors, 2, *shape)):
            found.append(f"{name} must be (1 or {n_mirrors}, 2, *{shape}), got {array.shape}")
        elif array.dtype != np.float64 or not np.isfinite(array).all():
            found.append(f"{name} must be finite float64")
    s = law.sections.shape[0]
    if law.sections.shape not in ((s, 1, 2, 5), (s, n_mirrors, 2, 5)):
        found.append(f"sections must be (s, 1 or {n_mirrors}, 2, 5), got {law.sections.shape}")
    if law.previous.shape != (n,):
        found.append(f"previous must be ({n},), got {law.previous.shape}")
    return tuple(found)


def hand_over(law: LinearLaw, correction_rad: Array) -> LawState:
    """Return the state that takes over from a standing correction (M, 2) [rad]."""
    correction_rad = np.array(correction_rad, dtype=float)
    states = law.standing * correction_rad[..., None]
    states = np.where(law.previous, np.nan, states)
    return LawState(states, correction_rad, np.zeros((*correction_rad.shape, len(law.sections), 2)))


def law_step(
    law: LinearLaw, state: LawState, error_rad: Array, seen: NDArray[np.bool_], lowest_rad: Array,
    highest_rad: Array,
) -> LawState:  # fmt: skip
    """Return the state after a frame; its correction is returned.

    Sums are taken term by term, in the order that the compiled loop takes them in, so that both
    give the same bits.

    Parameters
    ----------
    law : LinearLaw
        What is done.
    state : LawState
        The state before.
    error_rad : (M, 2) ndarray
        Reference minus measured tilt; 0 where lost. [rad]
    seen : (M, 2) ndarray of bool
        False where lost.
    lowest_rad, highest_rad : (M, 2) ndarray
        The limits of the correction. [rad]

    Returns
    -------
    LawState
    """
    filters_rad, value_rad = _filtered(law.sections, state.filters_rad, error_rad, seen)
    before, last_rad = state.states, state.correction_rad
    stand_in = law.previous & ~np.isfinite(before)
    x = np.where(stand_in, value_rad[..., None], before)
    after, wanted_rad = _stepped(law.seen, x, value_rad, last_rad)
    if not seen.all():
        coasting, held_rad = _stepped(law.lost, x, np.zeros_like(value_rad), last_rad)
        coasting = np.where(law.previous, np.nan, coasting)
        after = np.where(seen[..., None], after, coasting)
        wanted_rad = np.where(seen, wanted_rad, held_rad)
    granted_rad = np.minimum(np.maximum(wanted_rad, lowest_rad), highest_rad)
    for i in np.flatnonzero(law.conditional):
        presses = (wanted_rad - granted_rad) * (after[..., i] - before[..., i]) > 0.0
        kept = np.where(presses, before[..., i], after[..., i])
        kept = np.minimum(np.maximum(kept, lowest_rad), highest_rad)
        after[..., i] = np.where(seen, kept, after[..., i])
    return LawState(after, granted_rad, filters_rad)


def _stepped(m: LawMatrices, x: Array, value_rad: Array, last_rad: Array) -> tuple[Array, Array]:
    """Return the states (M, 2, n) after a frame and the correction that is wanted (M, 2)."""
    after = np.empty_like(x)
    n = x.shape[-1]
    for i in range(n):
        total = m.B[..., i] * value_rad
        for j in range(n):
            total = total + m.A[..., i, j] * x[..., j]
        after[..., i] = total + m.G[..., i] * last_rad
    wanted_rad = m.D * value_rad
    for i in range(n):
        wanted_rad = wanted_rad + m.C[..., i] * after[..., i]
    return after, wanted_rad + m.H * last_rad


def _filtered(
    sections: Array, memory_rad: Array, value_rad: Array, seen: NDArray[np.bool_]
) -> tuple[Array, Array]:
    """Return (next memory, filtered value (M, 2)); where lost, the memory stays."""
    if not len(sections):
        return memory_rad, value_rad
    after = np.empty_like(memory_rad)
    for n, row in enumerate(sections):
        b0, b1, b2, a1, a2 = np.moveaxis(row, -1, 0)
        filtered = b0 * value_rad + memory_rad[..., n, 0]
        after[..., n, 0] = b1 * value_rad - a1 * filtered + memory_rad[..., n, 1]
        after[..., n, 1] = b2 * value_rad - a2 * filtered
        value_rad = filtered
    return np.where(seen[..., None, None], after, memory_rad), value_rad
