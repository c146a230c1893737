"""Steps of the closed loops, between the frames too: what the camera sees, and what it misses."""

from typing import Final

import numpy as np

from controllers.analysis.linear_loop import time_response
from controllers.analysis.plant import tilt_rows
from sim.foundations.ports import Array
from sim.studies.margins.loops import MarginsStudy, UnitSteps
from sim.studies.margins.plant import delay_of, plant_belief, stiffening_of

INSTANTS: Final = 10
"""Looked at in each frame."""
LEAST_FRAMES: Final = 30
MOST_FRAMES: Final = 400
BAND: Final = 0.02
"""A step has settled when it stays within 2 % of its end."""


def step_responses(result: MarginsStudy, n_frames: int | None = None) -> UnitSteps:
    """Return the steps of every loop; those of an unstable mirror are NaN.

    A reading is the mean over an exposure, once a frame. A resonance between the readings shows in
    the tilt alone.
    """
    built, loop = result.built, result.loop
    model, frame_s = loop.plant.model, loop.plant.frame_s
    belief, root, delay = plant_belief(built), np.sqrt(stiffening_of(built)), delay_of(built)
    population = built.parts.population
    n = frames_needed(result) if n_frames is None else n_frames
    m, states = len(result.stable), model.A.shape[-1]
    offsets_s = frame_s * np.arange(INSTANTS) / INSTANTS
    rows = [
        tilt_rows(
            belief, population.resonance_rad_s * root, population.quality * root, delay, float(t),
            states,
        )
        for t in offsets_s
    ]  # fmt: skip
    still, unit = np.zeros((n, m, 2)), np.ones((n, m, 2))
    off = np.zeros((m, 2, states, 1))
    off[:, :, 1] = -1.0  # at rest, one unit off
    shift, own = np.empty((n, m, 2)), np.empty((n, INSTANTS, m, 2))
    for k in range(n):
        shift[k] = 1.0 + (model.C @ off)[..., 0, 0]
        for j, (row, _) in enumerate(rows):
            own[k, j] = 1.0 + (row @ off)[..., 0, 0]
        off = model.A @ off
    followed = []
    with np.errstate(over="ignore", invalid="ignore"):
        for disturbance, reference, passed in (
            (still, unit, np.zeros_like(own)), (shift, still, own)
        ):  # fmt: skip
            response = time_response(loop, disturbance, reference)
            tilt = passed + np.stack(
                [
                    np.einsum("map,kmap->kma", row[..., 0, :], response.states)
                    + now[..., 0, 0] * response.sent
                    for row, now in rows
                ],
                axis=1,
            )
            seen = np.where(result.stable[:, None], response.reading, np.nan)
            tilt = np.where(result.stable[:, None], tilt.reshape(n * INSTANTS, m, 2), np.nan)
            followed.append((tilt, seen))
    (reference_step, read), (rest_step, rest_read) = followed
    time_s = (np.arange(n)[:, None] * frame_s + offsets_s).ravel()
    return UnitSteps(
        time_s, reference_step, rest_step, read, rest_read,
        _over(reference_step), _over(read), _rise(time_s, reference_step),
        _settling(time_s, reference_step),
    )  # fmt: skip


def frames_needed(result: MarginsStudy) -> int:
    """Return how many frames the slowest loop needs to show its step."""
    bandwidth = result.margins.bandwidth_hz[result.stable]
    if not np.isfinite(bandwidth).any():
        return LEAST_FRAMES
    slowest = float(np.nanmin(bandwidth)) * result.loop.plant.frame_s
    return int(np.clip(0.6 / slowest, LEAST_FRAMES, MOST_FRAMES))


def _over(step: Array) -> Array:
    return np.maximum(step.max(axis=0) - 1.0, 0.0)


def _rise(time_s: Array, step: Array) -> Array:
    low, high = step >= 0.1, step >= 0.9
    there = high.any(axis=0)
    return np.where(there, time_s[high.argmax(axis=0)] - time_s[low.argmax(axis=0)], np.nan)


def _settling(time_s: Array, step: Array) -> Array:
    out = ~(np.abs(step - 1.0) <= BAND)
    last = len(step) - 1 - out[::-1].argmax(axis=0)
    settled = np.where(out.any(axis=0), time_s[np.minimum(last + 1, len(step) - 1)], 0.0)
    return np.where(last >= len(step) - 1, np.nan, settled)
