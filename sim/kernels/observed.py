"""Traces under construction, as the kernels fill them; see `sim.results.traces`.

T sampling intervals of `interval` ticks. Within an interval, means are added to and extremes are
raised, frame by frame.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray


class ErrorTraces(NamedTuple):
    """Errors of mirrors at every tick."""

    interval: int
    """Ticks in a sampling interval."""
    error_rad: NDArray[np.float32]
    """(T, M, 2) error at the end of each interval, set. [rad]"""
    mean_rad: NDArray[np.float32]
    """(T, M, 2) its mean, added to. [rad]"""
    square_rad2: NDArray[np.float32]
    """(T, M) mean squared radial error, added to. [rad^2]"""
    peak_rad: NDArray[np.float32]
    """(T, M) largest radial error. [rad]"""
    first_out: NDArray[np.int32]
    """(T, M) first tick beyond the tolerance (1 to `interval`), 0 if none."""
    last_out: NDArray[np.int32]
    """(T, M) the last one."""


class LossTraces(NamedTuple):
    """Excess losses of connections at every tick."""

    interval: int
    """Ticks in a sampling interval."""
    excess_db: NDArray[np.float32]
    """(T, C) loss at the end of each interval, set. [dB]"""
    mean_db: NDArray[np.float32]
    """(T, C) its mean, added to. [dB]"""
    peak_db: NDArray[np.float32]
    """(T, C) its largest value. [dB]"""
    first_out: NDArray[np.int32]
    """(T, C) first tick beyond the limit (1 to `interval`), 0 if none."""
    last_out: NDArray[np.int32]
    """(T, C) the last one."""
    ticks_out: NDArray[np.int32]
    """(T, C) how many."""


class ReadingTraces(NamedTuple):
    """Readings and corrections at the end of each sampling interval."""

    interval: int
    """Ticks in a sampling interval."""
    measured_rad: NDArray[np.float32]
    """(T, M, 2) [rad]"""
    status: NDArray[np.uint8]
    """(T, M) worst in each interval."""
    correction_rad: NDArray[np.float32]
    """(T, M, 2) [rad]"""
    status_frames: NDArray[np.int32]
    """(S, M) frames with each SpotStatus so far."""
    worst: NDArray[np.uint8]
    """(M,) worst status since the last sampling instant."""
