"""How far the words of a run really go."""

from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.assembly.build import Built
from sim.firmware.controller import FixedController
from sim.firmware.fixed_law import FixedState
from sim.firmware.spots.estimator import FixedEstimator, reading_of
from sim.firmware.spots.thresholded_centroid import ThresholdedCentroidWords, sums_cut_off
from sim.foundations.ports import (
    Array,
    CameraBelief,
    Setpoint,
    SpotReading,
    SpotStatus,
    TiltReading,
)
from sim.loop.simulate import simulate


class Measured(NamedTuple):
    """Largest magnitudes of a run, all words."""

    light: int | None
    """Sum of the light; None if the estimator is not in whole numbers."""
    position: int | None
    moment: int | None
    """Of the light about the middle of the window: half pixels times the light."""
    states: tuple[int, ...] | None
    """None if the controller is not in whole numbers."""
    filters: int | None
    correction: int | None
    cut_off: int
    """Words of the controller that were cut off."""
    failed: int
    """Readings that were FAILED, for whatever reason."""
    sums_cut_off: int
    """Readings for which a sum over pixels left its word and was cut off."""


class _SeenEstimator:
    """Passes frames on, and keeps what was largest."""

    def __init__(self, own: FixedEstimator) -> None:
        self.own, self.kind = own, own.kind
        self.light = self.position = self.moment = self.cut_off = 0

    def __call__(self, frames_dn: NDArray[np.int32], *, camera: CameraBelief) -> SpotReading:
        found, verdict = self.own.read(frames_dn), self.own.words.verdict
        ok = found.status == SpotStatus.OK
        size = np.abs(found.position[ok]).max(axis=1, initial=0)
        self.light = max(self.light, int(np.abs(found.light).max(initial=0)))
        self.position = max(self.position, int(size.max(initial=0)))
        moments = size * found.light[ok] >> np.int64(verdict.position.fraction - 1)
        self.moment = max(self.moment, int(moments.max(initial=0)))
        if isinstance(self.own.words, ThresholdedCentroidWords):
            self.cut_off += int(sums_cut_off(frames_dn, self.own.words).sum())
        return reading_of(found, verdict)


class _SeenController:
    """Passes readings on, and keeps what was largest."""

    def __init__(self, own: FixedController) -> None:
        self.own = own
        self.states = np.zeros(len(own.law.conditional), np.int64)
        self.filters = self.correction = 0

    def initial_state(self, n_mirrors: int) -> FixedState:
        return self.own.initial_state(n_mirrors)

    def step(
        self, state: FixedState, reading: TiltReading, setpoint: Setpoint
    ) -> tuple[FixedState, Array]:
        after, correction = self.own.step(state, reading, setpoint)
        self.states = np.maximum(self.states, np.abs(after.states).max(axis=(0, 1), initial=0))
        self.filters = max(self.filters, int(np.abs(after.filters).max(initial=0)))
        self.correction = max(self.correction, int(np.abs(after.correction).max(initial=0)))
        return after, correction


def measured(built: Built) -> Measured:
    """Run a scenario in whole numbers, and return how far its words went.

    Parameters
    ----------
    built : Built
        Not to be used for anything else afterwards: its camera keeps the watched estimator.
    """
    camera: Any = built.parts.measurement
    estimator = camera.estimator
    seen = _SeenEstimator(estimator) if isinstance(estimator, FixedEstimator) else None
    if seen is not None:
        camera.estimator = seen
    own: Any = built.parts.controller
    kept = _SeenController(own) if isinstance(own, FixedController) else None
    parts = built.parts if kept is None else replace(built.parts, controller=kept)
    outcome = simulate(replace(parts, pictures=()))
    return Measured(
        None if seen is None else seen.light,
        None if seen is None else seen.position,
        None if seen is None else seen.moment,
        None if kept is None else tuple(kept.states.tolist()),
        None if kept is None else kept.filters,
        None if kept is None else kept.correction,
        0 if outcome.cut_off is None else int(outcome.cut_off.sum()),
        int(outcome.traces.status_frames[int(SpotStatus.FAILED)].sum()),
        0 if seen is None else seen.cut_off,
    )
