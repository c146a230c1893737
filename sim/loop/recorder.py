"""Fills the traces while the loop runs."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.kernels.observed import ErrorTraces, LossTraces, ReadingTraces
from sim.loop.parts import Parts
from sim.loop.surroundings import Environment
from sim.optics.epochs import Epoch
from sim.ports import Array, SpotStatus
from sim.results.traces import Traces

OK = np.uint8(SpotStatus.OK)
ERRORS = (
    "error_rad", "error_mean_rad", "error_square_rad2", "error_peak_rad", "error_first_out",
    "error_last_out",
)  # fmt: skip
"""Arrays of `ErrorTraces`, in its order."""
LOSSES = (
    "excess_db", "excess_mean_db", "excess_peak_db", "excess_first_out", "excess_last_out",
    "excess_ticks_out",
)  # fmt: skip
"""Arrays of `LossTraces`, in its order."""


class Recorder:
    """Traces under construction; ticks are taken in frame by frame, in order."""

    def __init__(self, parts: Parts) -> None:
        clock, interval = parts.clock, parts.interval_ticks
        rows = clock.n_frames * clock.ticks_per_frame // interval
        m, c = len(parts.mirrors), len(parts.inputs)
        self._parts = parts
        self._n = clock.ticks_per_frame
        self._rows = rows
        f4 = np.float32
        self.arrays: dict[str, NDArray[Any]] = {
            "error_rad": np.zeros((rows, m, 2), f4),
            "error_mean_rad": np.zeros((rows, m, 2), f4),
            "error_square_rad2": np.zeros((rows, m), f4),
            "error_peak_rad": np.zeros((rows, m), f4),
            "error_first_out": np.zeros((rows, m), np.int32),
            "error_last_out": np.zeros((rows, m), np.int32),
            "excess_db": np.zeros((rows, c), f4),
            "excess_mean_db": np.zeros((rows, c), f4),
            "excess_peak_db": np.zeros((rows, c), f4),
            "excess_first_out": np.zeros((rows, c), np.int32),
            "excess_last_out": np.zeros((rows, c), np.int32),
            "excess_ticks_out": np.zeros((rows, c), np.int32),
            "measured_rad": np.full((rows, m, 2), np.nan, f4),
            "status": np.zeros((rows, m), np.uint8),
            "correction_rad": np.zeros((rows, m, 2), f4),
            "acceleration_m_s2": np.zeros((rows, 3), f4),
            "acceleration_peak_m_s2": np.zeros((rows, 3), f4),
            "sensor_rad": np.zeros((rows, 2), f4),
            "temperature_k": np.zeros(rows, f4),
        }
        self.lost_frames = np.zeros(m, np.int32)
        """(M,) frames without a reading so far."""
        self.worst = np.zeros(m, np.uint8)
        """(M,) worst status since the last sampling instant."""
        self.aim_rad: Array = np.zeros((2, m))
        """(2, M) where the mirrors should be. [rad]"""
        self.errors = ErrorTraces(interval, *(self.arrays[name] for name in ERRORS))
        self.losses = LossTraces(interval, *(self.arrays[name] for name in LOSSES))
        self.readings = ReadingTraces(
            interval, self.arrays["measured_rad"], self.arrays["status"],
            self.arrays["correction_rad"], self.lost_frames, self.worst,
        )  # fmt: skip

    def enter(self, epoch: Epoch) -> None:
        """Measure from now on against the aims of this epoch."""
        self.epoch = epoch
        self.aim_rad = np.ascontiguousarray(epoch.aim_rad.T)

    def surroundings(self, first_frame: int, around: Environment) -> None:
        """Take in a block of core acceleration, sensor shift and temperature."""
        interval = self._parts.interval_ticks
        start = first_frame * self._n
        stop = min(start + len(around.acceleration) - 1, self._rows * interval)
        if stop <= start:
            return
        first_row, last_row = start // interval, (stop - 1) // interval
        rows = slice(first_row, last_row + 1)
        begins = np.maximum(np.arange(first_row, last_row + 1) * interval - start, 0)
        core = around.acceleration[1 : stop - start + 1]
        peaks = self.arrays["acceleration_peak_m_s2"]
        for extreme in (np.maximum, np.minimum):
            value = extreme.reduceat(core, begins, axis=0).astype(np.float32)
            peaks[rows] = np.where(np.abs(value) > np.abs(peaks[rows]), value, peaks[rows])
        ended = slice(first_row, stop // interval)
        at = np.arange(ended.start + 1, ended.stop + 1) * interval - start
        self.arrays["acceleration_m_s2"][ended] = around.acceleration[at]
        self.arrays["sensor_rad"][ended] = around.sensor[at]
        edges = np.arange(len(around.temperature)) * self._n
        self.arrays["temperature_k"][ended] = np.interp(at, edges, around.temperature)

    def frame(
        self,
        number: int,
        history: Array,
        measured_rad: Array,
        status: NDArray[np.uint8],
        correction_rad: Array,
    ) -> None:
        """Take in one frame: its ticks, its reading and the correction made from it."""
        parts, a = self._parts, self.arrays
        first = number * self._n
        parts.kernels.observe_mirrors(
            first, history, self.aim_rad, parts.tolerance_rad, self.errors
        )
        parts.kernels.observe_connections(
            first, history, self.aim_rad, self.epoch.pairs, self.epoch.form_db, parts.outage_db,
            self.losses,
        )  # fmt: skip
        self.lost_frames += status != OK
        np.maximum(self.worst, status, out=self.worst)
        rows = slice(first // parts.interval_ticks, (first + self._n) // parts.interval_ticks)
        if rows.start < min(rows.stop, self._rows):
            a["measured_rad"][rows] = measured_rad
            a["status"][rows] = self.worst
            a["correction_rad"][rows] = correction_rad
            self.worst[:] = 0

    def traces(self, stop_ticks: NDArray[np.int64], search_frames: NDArray[np.int32]) -> Traces:
        """Return the finished traces."""
        parts = self._parts
        ends = parts.interval_ticks * np.arange(1, self._rows + 1, dtype=np.float64)
        return Traces(
            tick_s=parts.clock.tick_s,
            interval_ticks=parts.interval_ticks,
            mirrors=parts.mirrors,
            inputs=parts.inputs,
            time_s=ends * parts.clock.tick_s,
            lost_frames=self.lost_frames,
            stop_ticks=stop_ticks.astype(np.int32),
            search_frames=search_frames,
            **self.arrays,
        )
