"""What a run leaves behind: arrays over time, before anything is made of them."""

from dataclasses import dataclass, field, fields
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.foundations.ports import SpotStatus

Array32 = NDArray[np.float32]
Ints = NDArray[np.int32]
MISSED: Final = (SpotStatus.NO_FRAME, SpotStatus.BAD_ROWS)
"""No reading, for the camera gave nothing to read."""
LOST: Final = tuple(each for each in SpotStatus if each not in (SpotStatus.OK, *MISSED))
"""No reading, for the spot was not found."""


@dataclass(frozen=True, slots=True)
class Traces:
    """Time histories of one run of M mirrors and C connections at T sampling instants.

    A sampling interval spans `interval_ticks` drive ticks and ends at its `time_s`. Peaks, means
    and excursions are taken over every tick of the interval, so nothing hides between samples.
    """

    tick_s: float
    interval_ticks: int
    mirrors: NDArray[np.int64]
    """(M,) number of each mirror in the switch: 0 to P-1 in array A, P to 2P-1 in array B."""
    inputs: NDArray[np.int64]
    """(C,) input port of each connection."""
    time_s: NDArray[np.float64]
    """(T,) end of each interval. [s]"""
    error_rad: Array32
    """(T, M, 2) true tilt minus aim at `time_s`. [rad]"""
    error_mean_rad: Array32
    """(T, M, 2) its mean over the interval. [rad]"""
    error_square_rad2: Array32
    """(T, M) mean of the squared radial error over the interval. [rad^2]"""
    error_peak_rad: Array32
    """(T, M) largest radial error in the interval. [rad]"""
    error_first_out: Ints
    """(T, M) first tick (1 to interval_ticks) outside the settling tolerance; 0 if none."""
    error_last_out: Ints
    """(T, M) last tick outside the settling tolerance; 0 if none."""
    excess_db: Array32
    """(T, C) loss over the aligned loss at `time_s`. [dB]"""
    excess_mean_db: Array32
    """(T, C) its mean over the interval. [dB]"""
    excess_peak_db: Array32
    """(T, C) its largest value in the interval. [dB]"""
    excess_first_out: Ints
    """(T, C) first tick with excess above the outage limit; 0 if none."""
    excess_last_out: Ints
    """(T, C) last tick with excess above the outage limit; 0 if none."""
    excess_ticks_out: Ints
    """(T, C) number of ticks with excess above the outage limit."""
    measured_rad: Array32
    """(T, M, 2) newest reading; NaN where the spot was lost. [rad]"""
    status: NDArray[np.uint8]
    """(T, M) worst SpotStatus of the readings since the last sample."""
    status_frames: Ints
    """(S, M) frames of the whole run with each SpotStatus, in its order."""
    correction_rad: Array32
    """(T, M, 2) newest correction; it reaches the drive once the loop's latency is over. [rad]"""
    stop_ticks: Ints
    """(M,) ticks of the whole run spent against a travel stop, either axis."""
    acceleration_m_s2: Array32
    """(T, 3) acceleration of the optical core at `time_s`. [m/s^2]"""
    acceleration_peak_m_s2: Array32
    """(T, 3) of largest magnitude in the interval, with its sign. [m/s^2]"""
    sensor_rad: Array32
    """(T, 2) shift of the camera's frame against the fibres, as mirror tilt. [rad]"""
    temperature_k: Array32
    """(T,) bench temperature above reference. [K]"""
    search_frames: Ints
    """(M,) frames of the whole run spent searching a field; lost frames as well."""
    confusion: Ints = field(default_factory=lambda: np.zeros((4, 0), np.int32))
    """(4, M) frames of the whole run with a neighbour's spot in the window, with a wrong reading
    that passed as good, with one that was caught, and with a false alarm
    (`sim.camera.spot_guard.Confusion`); (4, 0) without stray light of neighbours."""

    @property
    def end_ticks(self) -> NDArray[np.int64]:
        """(T,) number of the drive tick at which each interval ends."""
        return np.rint(self.time_s / self.tick_s).astype(np.int64)

    @property
    def lost_frames(self) -> NDArray[np.int64]:
        """(M,) frames of the whole run in which the spot was lost."""
        return np.asarray(self.status_frames[list(LOST)].sum(axis=0, dtype=np.int64))

    def arrays(self) -> dict[str, NDArray]:
        """Return every array by name, as the trace file holds them."""
        return {f.name: np.asarray(getattr(self, f.name)) for f in fields(self)}


class SpotImages(NamedTuple):
    """Frames kept to be looked at."""

    moments: tuple[str, ...]
    """(K,) what each picture shows, in words."""
    time_s: NDArray[np.float64]
    """(K,) start of exposure. [s]"""
    frames_dn: NDArray[np.uint16]
    """(K, M, H, W) [DN]"""
