"""Plain limits on means and scatter over a window, as many a firmware has them."""

from typing import Annotated, Any, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.foundations.params import Block, Count, Positive, between
from sim.foundations.ports import Array, PlantBelief
from sim.foundations.ports.watch import FaultKind, Findings, Sight


class ThresholdsParams(Block):
    """Limits on what is read, common practice of no standard; rates of false alarms follow from
    nothing and have to be measured.

    Valid for fleets whose healthy scatter is known beforehand and the same for all mirrors.
    """

    kind: Literal["thresholds"] = "thresholds"
    window_frames: Annotated[int, between(2, 100_000)] = 50
    """Frames that means and scatter are taken over. [-]"""
    settle_ms: Annotated[float, between(0.0, 1e5)] = 100.0
    """After a mirror has been moved its error counts for nothing for so long. [ms]"""
    mean_urad: Positive = 60.0
    """Mean error on either axis from which a mirror is drifting off. [urad]"""
    scatter_urad: Positive = 80.0
    """Standard deviation on either axis from which a mirror is noisy. [urad]"""
    share_pct: Annotated[float, between(1.0, 100.0)] = 90.0
    """Share of what the drive can still do from which a mirror is stuck. [%]"""
    lost_frames: Count = 10
    """Frames in a row without a reading from which a mirror is lost. [-]"""


class ThresholdsState(NamedTuple):
    """Running means over the window, and counts; arrays have the mirrors first."""

    still: NDArray[np.int64]
    """(M,) frames since the mirror was last moved."""
    expected_rad: Array
    """(M, 2) where it was expected in the last frame. [rad]"""
    mean_rad: Array
    """(M, 2) of the error. [rad]"""
    square_rad2: Array
    """(M, 2) of its square. [rad^2]"""
    lost: NDArray[np.int64]
    """(M,) frames in a row without a reading."""
    kind: NDArray[np.uint8]
    """(M,) FaultKind."""


class Thresholds:
    """Exponential means of error and squared error against fixed limits."""

    Params = ThresholdsParams

    def __init__(self, params: ThresholdsParams, plant: PlantBelief) -> None:
        self.params = params
        self._settle = params.window_frames + round(1e-3 * params.settle_ms / plant.frame_s)

    def initial_state(self, n_mirrors: int) -> ThresholdsState:
        """Return the state before the first frame."""
        m = n_mirrors
        return ThresholdsState(
            np.zeros(m, np.int64), np.full((m, 2), np.inf), np.zeros((m, 2)), np.zeros((m, 2)),
            np.zeros(m, np.int64), np.zeros(m, np.uint8),
        )  # fmt: skip

    def forget(self, state: ThresholdsState, which: NDArray[np.bool_]) -> ThresholdsState:
        """Return the state with the marked mirrors as before their first frame."""
        pairs: Any = zip(state, self.initial_state(len(which)), strict=True)
        return ThresholdsState(
            *(np.where(which if old.ndim == 1 else which[:, None], new, old) for old, new in pairs)
        )

    def step(self, state: ThresholdsState, sight: Sight) -> tuple[ThresholdsState, Findings]:
        """Return (next state, findings)."""
        p, reference = self.params, sight.setpoint.reference_rad
        seen = sight.reading.status == 0
        moved = (np.abs(reference - state.expected_rad) > 1e-8).any(axis=1)
        still = np.where(moved, 0, state.still + 1)
        error = np.where(seen[:, None], sight.reading.tilt_rad - reference, 0.0)
        share = np.where(seen, np.maximum(1.0 / p.window_frames, 1.0 / (still + 1.0)), 0.0)
        mean = state.mean_rad + share[:, None] * (error - state.mean_rad)
        square = state.square_rad2 + share[:, None] * (error**2 - state.square_rad2)
        lost = np.where(seen, 0, state.lost + 1)
        ready = still > self._settle
        least = np.maximum(-sight.setpoint.lowest_rad, sight.setpoint.highest_rad)
        used = (np.abs(sight.correction_rad) / np.maximum(least, 1e-12)).max(axis=1)
        scatter = np.sqrt(np.maximum(square - mean**2, 0.0)).max(axis=1)
        shares = np.stack(
            [
                lost / p.lost_frames,
                100.0 * used / p.share_pct,
                np.where(ready, np.abs(mean).max(axis=1) * 1e6 / p.mean_urad, 0.0),
                np.where(ready, scatter * 1e6 / p.scatter_urad, 0.0),
            ]
        )
        kinds = np.array(
            [FaultKind.LOST, FaultKind.STUCK, FaultKind.DRIFTING, FaultKind.NOISY], np.uint8
        )
        fresh = (shares.max(axis=0) >= 1.0) & (state.kind == 0)
        kind = np.where(fresh, kinds[(shares >= 1.0).argmax(axis=0)], state.kind)
        after = ThresholdsState(still, reference.copy(), mean, square, lost, kind)
        return after, Findings(kind, shares.max(axis=0), np.full(len(kind), np.nan))
