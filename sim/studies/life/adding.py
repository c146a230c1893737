"""Effects of disturbances added up, and matrices times vectors, for all mirrors and steps."""

from typing import Final

import numpy as np

from sim.foundations.ports import Array, Effects

PIECE: Final = 200_000
"""Products in a piece of a matrix product. Libraries hand larger ones to several threads, which for
matrices of this size costs more than it saves, and much more where processors are busy."""


def added_up(found: list[Effects], steps: int, m: int) -> tuple[Array, Array, Array, Array, Array]:
    """Return the sums over disturbances: rest, sensor, gain, resonance, temperature."""
    rest, sensor = np.zeros((steps, m, 2)), np.zeros((steps, 2))
    gain, resonance, temperature = (np.zeros(steps) for _ in range(3))
    for e in found:
        for total, part in (
            (rest, e.rest_rad), (sensor, e.sensor_rad), (gain, e.gain), (resonance, e.resonance),
            (temperature, e.temperature_k),
        ):  # fmt: skip
            if part is not None:
                total += part
    return rest, sensor, gain, resonance, temperature


def times_all(matrix: Array, vector: Array) -> Array:
    """Return matrices (M, 2, 2) times vectors (T, M or 1, 2); nothing is worked out for zeros."""
    if not matrix.any():
        return np.zeros(1)
    if (matrix == np.eye(2)).all():
        return vector
    return np.einsum("mab,tmb->tma", matrix, np.broadcast_to(
        vector, (len(vector), len(matrix), 2)
    ))  # fmt: skip


def weighted(weights: Array, parts: Array) -> Array:
    """Return sums (T, M, 2) of parts (K, M, 2) by weights (T, K), in pieces of a few steps."""
    flat = parts.reshape(len(parts), -1)
    steps = max(1, PIECE // max(flat.size, 1))
    total = np.empty((len(weights), flat.shape[1]))
    for first in range(0, len(weights), steps):
        piece = slice(first, first + steps)
        np.matmul(weights[piece], flat, out=total[piece])
    return total.reshape(len(weights), *parts.shape[1:])
