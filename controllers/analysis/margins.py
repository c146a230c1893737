"""Margins of every loop, read from its frequency response."""

from typing import NamedTuple

import numpy as np

from controllers.analysis.linear_loop import Complex
from sim.foundations.ports import Array

HALF_POWER = 2.0**-0.5


class Margins(NamedTuple):
    """Arrays of the loops' shape; NaN where there is none. They mean nothing for unstable loops."""

    gain: Array
    """Smallest factor above 1 on the gain that brings the loop to its limit. [-]"""
    gain_down: Array
    """Largest factor below 1 that does; most loops have none. [-]"""
    phase_rad: Array
    """Smallest change of phase, either way, at any frequency where |L| = 1. [rad]"""
    delay_s: Array
    """Smallest added delay, from the phase at every frequency where |L| = 1. [s]"""
    ms: Array
    """Largest |S|. [-]"""
    ms_hz: Array
    """Where that is. [Hz]"""
    crossover_hz: Array
    """Lowest frequency at which |L| = 1. [Hz]"""
    bandwidth_hz: Array
    """Lowest frequency at which |S| has risen to -3 dB. [Hz]"""
    rejection_to_hz: Array
    """Lowest frequency at which |S| has risen to 1: disturbances below it are reduced. [Hz]"""


class Crossing(NamedTuple):
    """Where one loop has its smallest gain and phase margin; None where it has none."""

    gain_hz: float | None
    """L crosses the negative real axis. [Hz]"""
    gain: float | None
    """The margin there, a factor. [-]"""
    phase_hz: float | None
    """|L| = 1. [Hz]"""
    phase_rad: float | None
    """Phase of L there over -180 degrees, with its sign. [rad]"""


def crossing(frequency_hz: Array, gain: Complex) -> Crossing:
    """Return where the smallest margins of one loop gain (F,) are read; see `margins`."""
    f, a, b = frequency_hz, gain.imag[:-1], gain.imag[1:]
    at = np.flatnonzero(a * b < 0)
    share = a[at] / (a[at] - b[at])
    places = np.append(f[at] + share * (f[at + 1] - f[at]), f[-1])
    reals = np.append(gain.real[at] + share * (gain.real[at + 1] - gain.real[at]), gain.real[-1])
    inside = (reals < 0) & (reals > -1)
    k = int(np.where(inside, reals, np.inf).argmin())
    level = np.log(np.maximum(np.abs(gain), 1e-300))
    on = np.flatnonzero((level[:-1] > 0) != (level[1:] > 0))
    part = level[on] / (level[on] - level[on + 1])
    turn = np.angle(gain[on + 1] * np.conj(gain[on]))
    phase = (np.angle(gain[on]) + part * turn + 2 * np.pi) % (2 * np.pi) - np.pi
    n = int(np.abs(phase).argmin()) if on.size else 0
    return Crossing(
        gain_hz=float(places[k]) if inside.any() else None,
        gain=float(-1.0 / reals[k]) if inside.any() else None,
        phase_hz=float((f[on] + part * (f[on + 1] - f[on]))[n]) if on.size else None,
        phase_rad=float(phase[n]) if on.size else None,
    )


def margins(frequency_hz: Array, gain: Complex) -> Margins:
    """Return the margins of loop gains on a grid of frequencies.

    Crossings are placed by straight lines between neighbouring points, so the grid must be fine
    enough for the loop's phase to turn by a few degrees from point to point at most. Several
    crossings (a resonance folded below half the frame rate makes them) are all looked at, and the
    smallest margin counts.

    Parameters
    ----------
    frequency_hz : (F,) ndarray
        Rising, the last one half the frame rate. [Hz]
    gain : (F, ...) ndarray of complex
        Loop gain L of each loop; negative feedback, so that the critical point is -1.

    Returns
    -------
    Margins

    Raises
    ------
    ValueError
        If the frequencies do not rise.
    """
    if not np.all(np.diff(frequency_hz) > 0):
        raise ValueError("frequency_hz must rise from point to point")
    f = frequency_hz.reshape(-1, *(1,) * (gain.ndim - 1))
    up, down = _real_axis(gain)
    phase, delay, crossover = _unit_circle(f, gain)
    size = 1.0 / np.abs(1.0 + gain)
    ms, ms_hz = _peak(frequency_hz, size)
    return Margins(
        gain=up,
        gain_down=down,
        phase_rad=phase,
        delay_s=delay,
        ms=ms,
        ms_hz=ms_hz,
        crossover_hz=crossover,
        bandwidth_hz=_first_rise(f, size, HALF_POWER),
        rejection_to_hz=_first_rise(f, size, 1.0),
    )


def _real_axis(gain: Complex) -> tuple[Array, Array]:
    """Gain factors at the crossings of the negative real axis, the end of the grid included."""
    imaginary, real = gain.imag, gain.real
    a, b = imaginary[:-1], imaginary[1:]
    crosses = a * b < 0
    share = np.where(crosses, a / np.where(crosses, a - b, 1.0), 0.0)
    at = np.where(crosses, real[:-1] + share * (real[1:] - real[:-1]), 0.0)
    at = np.concatenate([at, real[-1:]])  # at half the frame rate L is real
    factor = np.where(at < 0, -1.0 / np.where(at < 0, at, -1.0), np.nan)
    up = np.nanmin(np.where(factor > 1, factor, np.inf), axis=0)
    below = np.nanmax(np.where(factor < 1, factor, -np.inf), axis=0)
    return np.where(np.isfinite(up), up, np.nan), np.where(below > 0, below, np.nan)


def _unit_circle(f: Array, gain: Complex) -> tuple[Array, Array, Array]:
    """Phase and delay margins over all crossings of |L| = 1, and the first such frequency."""
    level = np.log(np.maximum(np.abs(gain), 1e-300))
    a, b = level[:-1], level[1:]
    crosses = (a > 0) != (b > 0)
    share = np.where(crosses, a / np.where(crosses, a - b, 1.0), 0.0)
    turn = np.angle(gain[1:] * np.conj(gain[:-1]))
    phase = np.angle(gain[:-1]) + share * turn + np.pi
    at_hz = f[:-1] + share * np.diff(f, axis=0)
    either = np.abs((phase + np.pi) % (2 * np.pi) - np.pi)
    later = (phase % (2 * np.pi)) / (2 * np.pi * at_hz)
    smallest = np.where(crosses, either, np.inf).min(axis=0)
    delay = np.where(crosses, later, np.inf).min(axis=0)
    first = np.where(crosses, at_hz, np.inf).min(axis=0)
    some = crosses.any(axis=0)
    return tuple(np.where(some, v, np.nan) for v in (smallest, delay, first))  # type: ignore[return-value]


def _peak(frequency_hz: Array, size: Array) -> tuple[Array, Array]:
    """Largest value and its place."""
    at = size.argmax(axis=0)
    return size.max(axis=0), frequency_hz[at]


def _first_rise(f: Array, size: Array, level: float) -> Array:
    """Lowest frequency at which `size` has come up to `level`; none if it starts above it."""
    above = size >= level
    i = above.argmax(axis=0)
    none = ~above.any(axis=0) | (i == 0)
    before = np.maximum(i - 1, 0)[None]
    i = i[None]
    low, high = np.take_along_axis(size, before, 0)[0], np.take_along_axis(size, i, 0)[0]
    wide = np.broadcast_to(f, size.shape)
    f0, f1 = np.take_along_axis(wide, before, 0)[0], np.take_along_axis(wide, i, 0)[0]
    share = (level - low) / np.where(none | (high == low), 1.0, high - low)
    return np.where(none, np.nan, f0 + share * (f1 - f0))
