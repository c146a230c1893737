"""Describing functions: the gain of a static map for a sine, and the cycles that it suggests."""

from collections.abc import Callable

import numpy as np

from controllers.analysis.linear_loop import Complex
from sim.foundations.ports import Array

POINTS = 96
"""Instants in a quarter of the sine."""


def describing_function(
    value: Callable[[Array], Array], amplitude: Array, points: int = POINTS
) -> Array:
    """Return N(A), the fundamental of an odd static map over that of a sine of amplitude A. [-]

    It leaves out all harmonics, so what it says of a loop is a suggestion: cycles of sampled loops
    with rounding exist where it sees none.

    Parameters
    ----------
    value : callable
        Takes arguments (P,), returns values (P, ...).
    amplitude : (K,) ndarray
        [rad]
    points : int
        Instants in a quarter of the sine.

    Returns
    -------
    (K, ...) ndarray

    References
    ----------
    .. [1] A. Gelb and W. E. Vander Velde, Multiple-Input Describing Functions and Nonlinear System
       Design, McGraw-Hill 1968.
    """
    sine = np.sin(0.5 * np.pi * (np.arange(points) + 0.5) / points)
    gains = []
    for a in amplitude:
        up, down = value(a * sine), value(-a * sine)
        odd = 0.5 * (up - down).reshape(points, -1)
        n = 2.0 / (a * points) * (sine @ odd)
        gains.append(n.reshape(up.shape[1:]))
    return np.stack(gains)


def first_limit(frequency_hz: Array, gain: Complex) -> tuple[Array, Array]:
    """Return the smallest factor on loops (F, ...) that brings one to -1, and its frequency. [Hz]

    Infinite and NaN where the response never crosses the negative real axis.
    """
    a, b = gain.imag[:-1], gain.imag[1:]
    crosses = a * b < 0
    share = np.where(crosses, a / np.where(crosses, a - b, 1.0), 0.0)
    real = np.where(crosses, gain.real[:-1] + share * np.diff(gain.real, axis=0), 0.0)
    real = np.concatenate([real, gain.real[-1:]])  # at half the frame rate the response is real
    f = frequency_hz.reshape(-1, *(1,) * (gain.ndim - 1))
    last = np.broadcast_to(f[-1:], real[-1:].shape)
    at_hz = np.concatenate([f[:-1] + share * np.diff(f, axis=0), last])
    i = real.argmin(axis=0)[None]
    least = np.take_along_axis(real, i, 0)[0]
    crossed = least < 0
    factor = np.where(crossed, -1.0 / np.where(crossed, least, -1.0), np.inf)
    return factor, np.where(crossed, np.take_along_axis(at_hz, i, 0)[0], np.nan)


def cycle_amplitude(amplitude: Array, gains: Array, limit: Array) -> Array:
    """Return the largest amplitude (...) at which N(A) comes down through a limit; NaN if none.

    That cycle is the one that lasts: larger ones shrink, smaller ones grow.
    """
    above = gains >= limit
    last = len(amplitude) - 1 - above[::-1].argmax(axis=0)
    low = np.take_along_axis(gains, last[None], 0)[0]
    after = np.minimum(last + 1, len(amplitude) - 1)
    high = np.take_along_axis(gains, after[None], 0)[0]
    share = np.where(low > high, (low - limit) / np.where(low > high, low - high, 1.0), 0.0)
    log = np.log(amplitude)
    found = np.exp(log[last] + share * (log[after] - log[last]))
    return np.where(above.any(axis=0), found, np.nan)
