"""What a measured record holds beside its event: offset, drift, clipping, dropouts."""

from typing import Any, Final

import numpy as np

from sim.foundations.ports import Array
from sim.mechanics.profiles.pulse import (
    BAND,
    VELOCITY_BAND,
    Pulse,
    pulse_shape,
    velocity_change_m_s,
)

CLIPPED: Final = 3
"""So many equal samples in a row at an axis' extreme count as clipped."""
DROPPED: Final = 8
"""So many equal samples in a row elsewhere count as a dropout."""
DRIFT: Final = 0.05
"""Velocity left at the end above this share of its largest is a drift."""
OFFSET: Final = 0.01
"""An offset above this share of the peak is worth taking off."""
QUIET: Final = 1e-12


def hygiene_of(samples_m_s2: Array, rate_hz: float) -> list[dict[str, Any]]:
    """Return what can be said of each used axis of a record; nothing is altered.

    Parameters
    ----------
    samples_m_s2 : (N, 3) ndarray
        As it is played. [m/s^2]
    rate_hz : float
        [Hz]

    Returns
    -------
    list of dict
        ``axis``, ``peak_m_s2``, ``offset_m_s2``, ``velocity_left_m_s`` (integral to the end),
        ``velocity_peak_m_s``, ``clipped`` and ``dropouts`` (samples in such rows), ``advice``.
    """
    rows = []
    for axis, column in zip("xyz", samples_m_s2.T, strict=True):
        if not column.any():
            continue
        peak, offset = float(np.abs(column).max()), float(column.mean())
        velocity = np.concatenate([[0.0], np.cumsum(0.5 * (column[1:] + column[:-1])) / rate_hz])
        clipped, dropped = _flat(column, peak)
        advice = []
        if abs(offset) > OFFSET * peak:
            advice.append("remove_mean would take the offset off")
        if max(abs(column[0]), abs(column[-1])) > OFFSET * peak:
            advice.append("taper_ms would fade its ends")
        left = abs(velocity[-1]) > DRIFT * float(np.abs(velocity).max())
        if left and abs(offset) <= OFFSET * peak:
            advice.append("the integrated velocity drifts: a baseline is left in it")
        if clipped:
            advice.append("it is clipped: its true peak is higher")
        if dropped:
            advice.append("it has dropouts")
        rows.append(
            {
                "axis": axis, "peak_m_s2": peak, "offset_m_s2": offset,
                "velocity_left_m_s": float(velocity[-1]),
                "velocity_peak_m_s": float(np.abs(velocity).max()), "clipped": clipped,
                "dropouts": dropped, "advice": advice,
            }
        )  # fmt: skip
    return rows


def _flat(column: Array, peak: float) -> tuple[int, int]:
    """Count samples in rows of equal values, at the extremes and elsewhere but at the ends."""
    edges = np.flatnonzero(np.diff(column) != 0) + 1
    starts, ends = np.concatenate([[0], edges]), np.concatenate([edges, [len(column)]])
    lengths, values = ends - starts, column[starts]
    extreme = (values >= column.max() - QUIET) | (values <= column.min() + QUIET)
    at_end = (starts == 0) | (ends == len(column))
    clipped = int(lengths[extreme & (lengths >= CLIPPED) & (np.abs(values) > 0.1 * peak)].sum())
    return clipped, int(lengths[~extreme & ~at_end & (lengths >= DROPPED)].sum())


def against_pulse(
    samples_m_s2: Array, rate_hz: float, pulse: Pulse, peak_m_s2: float, duration_s: float
) -> dict[str, Any]:
    """Hold a measured pulse against a nominal one.

    The nominal pulse is laid where it correlates best with the record, of either sense.

    Parameters
    ----------
    samples_m_s2 : (N,) ndarray
        One axis of the record. [m/s^2]
    rate_hz : float
        [Hz]
    pulse : {"half_sine", "sawtooth", "trapezoid"}
        Nominal shape.
    peak_m_s2, duration_s : float
        Nominal peak and duration.

    Returns
    -------
    dict
        ``starts_s``, ``sense``, ``peak_m_s2``, ``velocity_change_m_s`` (from 0.4 of the duration
        before the pulse to 0.1 after it), ``nominal_velocity_change_m_s``, ``inside_share`` of the
        samples there within 20 % of the peak, and ``met``. Rules of IEC 60068-2-27 from memory.
    """
    time_s = np.arange(len(samples_m_s2)) / rate_hz
    count = max(2, int(np.ceil(duration_s * rate_hz)) + 1)
    shape = pulse_shape(pulse, np.arange(count) / (rate_hz * duration_s))
    match = np.correlate(samples_m_s2, shape, mode="valid")
    at = int(np.abs(match).argmax())
    sense = 1.0 if match[at] > 0 else -1.0
    start_s = at / rate_hz
    window = (time_s >= start_s - 0.4 * duration_s) & (time_s <= start_s + 1.1 * duration_s)
    nominal = peak_m_s2 * pulse_shape(pulse, (time_s[window] - start_s) / duration_s)
    found = sense * samples_m_s2[window]
    change = float(np.trapezoid(found, time_s[window]))
    wanted = velocity_change_m_s(pulse, peak_m_s2, duration_s)
    inside = float((np.abs(found - nominal) <= BAND * peak_m_s2 * (1 + 1e-9)).mean())
    return {
        "starts_s": start_s, "sense": "+" if sense > 0 else "-", "peak_m_s2": float(found.max()),
        "velocity_change_m_s": change, "nominal_velocity_change_m_s": wanted,
        "inside_share": inside,
        "met": inside == 1.0 and abs(change / wanted - 1.0) <= VELOCITY_BAND,
    }  # fmt: skip
