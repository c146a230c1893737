"""Traces made from a history of every tick, for tests that know the answer."""

import numpy as np

from sim.foundations.ports import SpotStatus
from sim.optics.epochs import Epoch
from sim.results.traces import Traces


def outside(values, limit, interval_ticks):
    """Return first, last and number of ticks above the limit in each interval, by plain loops."""
    n_intervals = len(values) // interval_ticks
    first, last, count = np.zeros((3, n_intervals, values.shape[1]), dtype=np.int32)
    for i in range(n_intervals):
        for column in range(values.shape[1]):
            block = values[i * interval_ticks : (i + 1) * interval_ticks, column]
            ticks = [k + 1 for k, value in enumerate(block) if value > limit]
            if ticks:
                first[i, column], last[i, column] = ticks[0], ticks[-1]
                count[i, column] = len(ticks)
    return first, last, count


def made_traces(
    error_rad,
    excess_db,
    *,
    tolerance_rad,
    outage_db,
    interval_ticks=20,
    tick_s=50e-6,
    mirrors=None,
    **changes,
):
    """Sum up errors (K, M, 2) and excess losses (K, C), row k being the end of tick k + 1."""
    error_rad, excess_db = np.asarray(error_rad, float), np.asarray(excess_db, float)
    n_intervals, n_mirrors, n_lit = (
        len(error_rad) // interval_ticks,
        error_rad.shape[1],
        excess_db.shape[1],
    )
    radial = np.hypot(error_rad[..., 0], error_rad[..., 1])

    def blocks(values):
        return values.reshape(n_intervals, interval_ticks, *values.shape[1:])

    error_first, error_last, _ = outside(radial, tolerance_rad, interval_ticks)
    excess_first, excess_last, excess_count = outside(excess_db, outage_db, interval_ticks)

    def single(values):
        return np.asarray(values, dtype=np.float32)

    parts = {
        "tick_s": tick_s,
        "interval_ticks": interval_ticks,
        "mirrors": np.arange(n_mirrors) if mirrors is None else np.asarray(mirrors),
        "inputs": np.arange(n_lit),
        "time_s": tick_s * interval_ticks * np.arange(1, n_intervals + 1),
        "error_rad": single(blocks(error_rad)[:, -1]),
        "error_mean_rad": single(blocks(error_rad).mean(axis=1)),
        "error_square_rad2": single(blocks(radial**2).mean(axis=1)),
        "error_peak_rad": single(blocks(radial).max(axis=1)),
        "error_first_out": error_first,
        "error_last_out": error_last,
        "excess_db": single(blocks(excess_db)[:, -1]),
        "excess_mean_db": single(blocks(excess_db).mean(axis=1)),
        "excess_peak_db": single(blocks(excess_db).max(axis=1)),
        "excess_first_out": excess_first,
        "excess_last_out": excess_last,
        "excess_ticks_out": excess_count,
        "measured_rad": single(blocks(error_rad)[:, -1]),
        "status": np.zeros((n_intervals, n_mirrors), np.uint8),
        "status_frames": np.zeros((len(SpotStatus), n_mirrors), np.int32),
        "correction_rad": np.zeros((n_intervals, n_mirrors, 2), np.float32),
        "stop_ticks": np.zeros(n_mirrors, np.int32),
        "acceleration_m_s2": np.zeros((n_intervals, 3), np.float32),
        "acceleration_peak_m_s2": np.zeros((n_intervals, 3), np.float32),
        "sensor_rad": np.zeros((n_intervals, 2), np.float32),
        "temperature_k": np.zeros(n_intervals, np.float32),
        "search_frames": np.zeros(n_mirrors, np.int32),
    }
    return Traces(**(parts | changes))


def made_epoch(start_s, n_mirrors, n_lit, *, commanded=True, outputs=None, aligned=1.0, moved=None):
    """Return an epoch in which column c of either half of the fleet carries connection c."""
    columns = np.arange(n_lit)
    return Epoch(
        start_s,
        commanded,
        columns if outputs is None else np.asarray(outputs),
        np.zeros((n_mirrors, 2)),
        np.stack([columns, np.minimum(columns + n_mirrors // 2, n_mirrors - 1)], axis=-1),
        np.full(n_lit, aligned) if np.isscalar(aligned) else np.asarray(aligned, float),
        np.zeros((n_lit, 4, 4)),
        np.full(n_mirrors, commanded) if moved is None else np.asarray(moved),
        None,
    )
