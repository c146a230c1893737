"""A controller's law and its state as kernels take them: arrays that run over mirrors last."""

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.foundations.ports import Array
from sim.foundations.ports.linear_law import LawMatrices, LawState, faults


class KernelLaw(NamedTuple):
    """A `LinearLaw` with every array ending in (2, 1 or M)."""

    sections: Array
    """(s, 5, 2, 1 or M)"""
    matrix: Array
    """(2, n + 1, n + 2, 2, 1 or M): for mirrors that are seen and lost, rows for the n states and
    the correction, columns from the mismatch, the n states and the last correction."""
    conditional: NDArray[np.bool_]
    previous: NDArray[np.bool_]


def law_of(controller: Any, n_mirrors: int) -> KernelLaw:
    """Return the law that a controller states; the kernel cannot check what it is given.

    Raises
    ------
    ValueError
        If it does not fit so many mirrors.
    """
    law = controller.linear_law()
    if wrong := faults(law, n_mirrors):
        raise ValueError(f"linear_law: {'; '.join(wrong)}")
    both = [_as_one(part) for part in (law.seen, law.lost)]
    m = max(len(part) for part in both)
    matrix = np.stack([np.broadcast_to(part, (m, *part.shape[1:])) for part in both])
    return KernelLaw(
        np.ascontiguousarray(law.sections.transpose(0, 3, 2, 1)),
        np.ascontiguousarray(matrix.transpose(0, 3, 4, 2, 1)),
        law.conditional,
        law.previous,
    )


def memory_of(state: LawState) -> LawState:
    """Return a copy of a state, mirrors last: (n, 2, M), (2, M) and (s, 2, 2, M)."""
    parts = (
        state.states.transpose(2, 1, 0),
        state.correction_rad.T,
        state.filters_rad.transpose(2, 3, 1, 0),
    )
    return LawState(*(np.array(part, dtype=float, order="C") for part in parts))


def state_of(memory: LawState) -> LawState:
    """Return a copy of what `memory_of` made, as a controller takes it."""
    parts = (
        memory.states.transpose(2, 1, 0),
        memory.correction_rad.T,
        memory.filters_rad.transpose(3, 2, 0, 1),
    )
    return LawState(*(np.array(part, order="C") for part in parts))


def _as_one(part: LawMatrices) -> Array:
    """Return the matrices as one, (1 or M, 2, n + 1, n + 2)."""
    n = part.B.shape[-1]
    whole = np.empty((max(len(each) for each in part), 2, n + 1, n + 2))
    whole[..., :n, 0], whole[..., :n, 1:-1], whole[..., :n, -1] = part.B, part.A, part.G
    whole[..., n, 0], whole[..., n, 1:-1], whole[..., n, -1] = part.D, part.C, part.H
    return whole
