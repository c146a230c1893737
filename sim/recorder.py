"""Fills the traces while the loop runs."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.parts import Parts
from sim.ports import Array, SpotStatus
from sim.surroundings import Around
from sim.traces import Epoch, Traces

OK = np.uint8(SpotStatus.OK)


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
        self._a: dict[str, NDArray[Any]] = {
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
        self._lost = np.zeros(m, np.int32)
        self._worst = np.zeros(m, np.uint8)
        self._aim: Array = np.zeros((2, m))

    def enter(self, epoch: Epoch) -> None:
        """Measure from now on against the aims of this epoch."""
        self._epoch = epoch
        self._aim = np.ascontiguousarray(epoch.aim_rad.T)

    def surroundings(self, first_frame: int, around: Around) -> None:
        """Take in a block of core acceleration, sensor shift and temperature."""
        interval = self._parts.interval_ticks
        start = first_frame * self._n
        ticks = np.arange(start + 1, start + len(around.acceleration))
        row = (ticks - 1) // interval
        inside = row < self._rows
        ticks, row = ticks[inside], row[inside]
        if not len(ticks):
            return
        starts = np.flatnonzero(np.r_[True, np.diff(row) > 0])
        rows = row[starts]
        core = around.acceleration[1:][inside]
        peaks = self._a["acceleration_peak_m_s2"]
        for extreme in (np.maximum, np.minimum):
            value = extreme.reduceat(core, starts, axis=0).astype(np.float32)
            peaks[rows] = np.where(np.abs(value) > np.abs(peaks[rows]), value, peaks[rows])
        ends = ticks % interval == 0
        at = ticks[ends] - start
        self._a["acceleration_m_s2"][row[ends]] = around.acceleration[at]
        self._a["sensor_rad"][row[ends]] = around.sensor[at]
        edges = np.arange(len(around.temperature)) * self._n
        self._a["temperature_k"][row[ends]] = np.interp(at, edges, around.temperature)

    def frame(
        self,
        number: int,
        history: Array,
        measured_rad: Array,
        status: NDArray[np.uint8],
        correction_rad: Array,
    ) -> None:
        """Take in one frame: its ticks, its reading and the correction made from it."""
        parts, a = self._parts, self._a
        first = number * self._n
        parts.kernels.observe_mirrors(
            first, history, self._aim, parts.tolerance_rad, parts.interval_ticks,
            a["error_rad"], a["error_mean_rad"], a["error_square_rad2"], a["error_peak_rad"],
            a["error_first_out"], a["error_last_out"],
        )  # fmt: skip
        parts.kernels.observe_connections(
            first, history, self._aim, self._epoch.pairs, self._epoch.form_db, parts.outage_db,
            parts.interval_ticks, a["excess_db"], a["excess_mean_db"], a["excess_peak_db"],
            a["excess_first_out"], a["excess_last_out"], a["excess_ticks_out"],
        )  # fmt: skip
        self._lost += status != OK
        np.maximum(self._worst, status, out=self._worst)
        rows = slice(first // parts.interval_ticks, (first + self._n) // parts.interval_ticks)
        if rows.start < min(rows.stop, self._rows):
            a["measured_rad"][rows] = measured_rad
            a["status"][rows] = self._worst
            a["correction_rad"][rows] = correction_rad
            self._worst[:] = 0

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
            lost_frames=self._lost,
            stop_ticks=stop_ticks.astype(np.int32),
            search_frames=search_frames,
            **self._a,
        )
