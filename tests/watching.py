"""What kernels watch connections by, for tests that have no run."""

from typing import Any

import numpy as np

from sim.kernels.observed import ErrorTraces, LossTraces, ReadingTraces
from sim.kernels.stretch import ObservedLimits
from sim.optics.beams import CoupledBeams

F4, I4 = np.float32, np.int32


def blank_losses(rows: int, connections: int) -> list[np.ndarray]:
    """Return traces of losses, all zero."""
    return [*np.zeros((3, rows, connections), F4), *np.zeros((3, rows, connections), I4)]


def watching(
    aim: np.ndarray, pairs: np.ndarray, form: np.ndarray, beams: CoupledBeams, limit_db: float,
    interval: int, losses: list[Any],
) -> ObservedLimits:  # fmt: skip
    """Return what is watched, with traces of losses alone."""
    none = np.zeros((0, 0, 2), F4), np.zeros((0, 0), F4), np.zeros((0, 0), I4)
    return ObservedLimits(
        aim, 0.0, pairs, form, beams, limit_db,
        ErrorTraces(interval, none[0], none[0], none[1], none[1], none[2], none[2]),
        LossTraces(interval, *losses),
        ReadingTraces(
            interval, none[0], np.zeros((0, 0), np.uint8), none[0], none[2], np.zeros(0, np.uint8)
        ),
    )  # fmt: skip


def by_form(
    aim: np.ndarray, pairs: np.ndarray, form: np.ndarray, limit_db: float, interval: int,
    losses: list[Any],
) -> ObservedLimits:  # fmt: skip
    """Return what is watched where the quadratic forms have no end."""
    c = len(pairs)
    beams = CoupledBeams(
        np.zeros((c, 13)), np.zeros((c, 13)), np.zeros((c, 7)), np.zeros((c, 7)), np.zeros(3),
        0.1, 4e-4, 1.31e-6, np.zeros((2, 32)), np.zeros(c), np.full(c, np.inf),
    )  # fmt: skip
    return watching(aim, pairs, form, beams, limit_db, interval, losses)
