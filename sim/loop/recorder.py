"""Fills the traces while the loop runs, and hands out what is in them so far.

The arrays of a whole run are laid out once; what is in a state are views of the rows that are
finished, which never change again. Only the sampling interval in progress is copied.
"""

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.foundations.ports import Array, SpotStatus, TiltReading
from sim.kernels.observed import ErrorTraces, LossTraces, ReadingTraces
from sim.kernels.stretch import ObservedLimits
from sim.loop.parts import Parts
from sim.loop.surroundings import Environment
from sim.optics.epochs import Epoch
from sim.results.traces import Traces

Float32 = NDArray[np.float32]
Int32 = NDArray[np.int32]


class Rows(NamedTuple):
    """What is recorded in each sampling interval; see `Traces` of the same names."""

    error_rad: Float32
    error_mean_rad: Float32
    error_square_rad2: Float32
    error_peak_rad: Float32
    error_first_out: Int32
    error_last_out: Int32
    excess_db: Float32
    excess_mean_db: Float32
    excess_peak_db: Float32
    excess_first_out: Int32
    excess_last_out: Int32
    excess_ticks_out: Int32
    measured_rad: Float32
    status: NDArray[np.uint8]
    correction_rad: Float32
    acceleration_m_s2: Float32
    acceleration_peak_m_s2: Float32
    sensor_rad: Float32
    temperature_k: Float32


class Records(NamedTuple):
    """What a run has recorded so far."""

    rows: Rows
    """Of the sampling intervals that are over."""
    begun: Rows
    """Of the one in progress, (1, ...)."""
    status_frames: Int32
    """(S, M) frames with each SpotStatus so far."""
    worst: NDArray[np.uint8]
    """(M,) worst status since the last sampling instant."""
    sway_m: Array
    """(3,) largest sway of the core on its mounts, (x, y, z). [m]"""


def nothing_noted(parts: Parts) -> Records:
    """Return the records of a run that has not begun."""
    m = len(parts.mirrors)
    return Records(
        _blank(parts, 0),
        _blank(parts, 1),
        np.zeros((len(SpotStatus), m), np.int32),
        np.zeros(m, np.uint8),
        np.zeros(3),
    )


def _blank(parts: Parts, rows: int) -> Rows:
    m, c = len(parts.mirrors), len(parts.inputs)
    f4, i4 = np.float32, np.int32
    return Rows(
        error_rad=np.zeros((rows, m, 2), f4),
        error_mean_rad=np.zeros((rows, m, 2), f4),
        error_square_rad2=np.zeros((rows, m), f4),
        error_peak_rad=np.zeros((rows, m), f4),
        error_first_out=np.zeros((rows, m), i4),
        error_last_out=np.zeros((rows, m), i4),
        excess_db=np.zeros((rows, c), f4),
        excess_mean_db=np.zeros((rows, c), f4),
        excess_peak_db=np.zeros((rows, c), f4),
        excess_first_out=np.zeros((rows, c), i4),
        excess_last_out=np.zeros((rows, c), i4),
        excess_ticks_out=np.zeros((rows, c), i4),
        measured_rad=np.full((rows, m, 2), np.nan, f4),
        status=np.zeros((rows, m), np.uint8),
        correction_rad=np.zeros((rows, m, 2), f4),
        acceleration_m_s2=np.zeros((rows, 3), f4),
        acceleration_peak_m_s2=np.zeros((rows, 3), f4),
        sensor_rad=np.zeros((rows, 2), f4),
        temperature_k=np.zeros(rows, f4),
    )


class Recorder:
    """Space for the rows of a whole run, and one more, filled frame by frame, in order."""

    def __init__(self, parts: Parts, so_far: Records) -> None:
        """Lay out the rows of a run, those that are noted already with them; they are copied."""
        self._parts = parts
        self._n = parts.clock.ticks_per_frame
        last = parts.clock.n_frames * self._n // parts.interval_ticks
        self._rows = _blank(parts, last + 1)
        done = len(so_far.rows.status)
        for name in Rows._fields:
            whole = getattr(self._rows, name)
            whole[:done] = getattr(so_far.rows, name)
            whole[done : done + 1] = getattr(so_far.begun, name)

    def begin(self, records: Records) -> Records:
        """Return records that can be written to; those that are given do not change."""
        return records._replace(
            rows=self._rows,
            status_frames=records.status_frames.copy(),
            worst=records.worst.copy(),
        )

    def end(self, written: Records, frame: int) -> Records:
        """Return the records as they are before a frame; they do not change any more."""
        done = frame * self._n // self._parts.interval_ticks
        return written._replace(
            rows=Rows._make(_kept(rows[:done]) for rows in self._rows),
            begun=Rows._make(rows[done : done + 1].copy() for rows in self._rows),
        )

    def watched(self, written: Records, epoch: Epoch) -> ObservedLimits:
        """Return the records as kernels write to them, with what they measure against."""
        parts, interval, rows = self._parts, self._parts.interval_ticks, written.rows
        return ObservedLimits(
            np.ascontiguousarray(epoch.aim_rad.T),
            parts.tolerance_rad,
            epoch.pairs,
            epoch.form_db,
            epoch.beams,
            parts.outage_db,
            ErrorTraces(
                interval, rows.error_rad, rows.error_mean_rad, rows.error_square_rad2,
                rows.error_peak_rad, rows.error_first_out, rows.error_last_out,
            ),
            LossTraces(
                interval, rows.excess_db, rows.excess_mean_db, rows.excess_peak_db,
                rows.excess_first_out, rows.excess_last_out, rows.excess_ticks_out,
            ),
            ReadingTraces(
                interval, rows.measured_rad, rows.status, rows.correction_rad,
                written.status_frames, written.worst,
            ),
        )  # fmt: skip

    def surroundings(self, written: Records, frame: int, environment: Environment) -> Records:
        """Note core acceleration, sway, sensor shift and temperature from a frame on."""
        interval, rows = self._parts.interval_ticks, written.rows
        written = written._replace(
            sway_m=np.maximum(written.sway_m, np.abs(environment.sway).max(axis=0))
        )
        start = frame * self._n
        stop = min(start + len(environment.acceleration) - 1, len(rows.status) * interval)
        if stop <= start:
            return written
        first, last = start // interval, (stop - 1) // interval
        begins = np.maximum(np.arange(first, last + 1) * interval - start, 0)
        core = environment.acceleration[1 : stop - start + 1]
        peaks = rows.acceleration_peak_m_s2[first : last + 1]
        for extreme in (np.maximum, np.minimum):
            value = extreme.reduceat(core, begins, axis=0).astype(np.float32)
            peaks[:] = np.where(np.abs(value) > np.abs(peaks), value, peaks)
        ended = slice(first, stop // interval)
        at = np.arange(ended.start + 1, ended.stop + 1) * interval - start
        rows.acceleration_m_s2[ended] = environment.acceleration[at]
        rows.sensor_rad[ended] = environment.sensor[at]
        edges = np.arange(len(environment.temperature)) * self._n
        rows.temperature_k[ended] = np.interp(at, edges, environment.temperature)
        return written


def note_frame(
    parts: Parts, watched: ObservedLimits, frame: int, history: Array, reading: TiltReading,
    correction_rad: Array,
) -> None:  # fmt: skip
    """Note one frame: its ticks, its reading and the correction made from it."""
    interval, n = parts.interval_ticks, parts.clock.ticks_per_frame
    first = frame * n
    parts.kernels.observe_mirrors(
        first, history, watched.aim_rad, watched.tolerance_rad, watched.errors
    )
    parts.kernels.observe_connections(frame, history[None], watched)
    noted = watched.readings
    noted.status_frames[reading.status, np.arange(len(reading.status))] += 1
    np.maximum(noted.worst, reading.status, out=noted.worst)
    ended = slice(first // interval, (first + n) // interval)
    if ended.start < min(ended.stop, len(noted.status)):
        noted.measured_rad[ended] = reading.tilt_rad
        noted.status[ended] = noted.worst
        noted.correction_rad[ended] = correction_rad
        noted.worst[:] = 0


def _kept(rows: NDArray[Any]) -> NDArray[Any]:
    """Return the rows as what must not be written to: later states show them too."""
    rows.flags.writeable = False
    return rows


def traces_of(
    parts: Parts, records: Records, stop_ticks: NDArray[np.int64], search_frames: Int32
) -> Traces:
    """Return the traces of the sampling intervals that are over."""
    ends = parts.interval_ticks * np.arange(1, len(records.rows.status) + 1, dtype=np.float64)
    return Traces(
        tick_s=parts.clock.tick_s,
        interval_ticks=parts.interval_ticks,
        mirrors=parts.mirrors,
        inputs=parts.inputs,
        time_s=ends * parts.clock.tick_s,
        status_frames=records.status_frames,
        stop_ticks=stop_ticks.astype(np.int32),
        search_frames=search_frames,
        **records.rows._asdict(),
    )
