"""Log-likelihood ratios: how much likelier a fault makes what was seen than health does.

Each is a term of a cumulative sum (Page's test) S <- max(0, S + term). Readings z are whitened: of
mean 0 and variance 1, independent, while all is well. The mean of exp(term) is then 1, from which
the promise of the threshold follows (`sim.health.run_length.threshold_of`).
"""

import math

import numpy as np
import scipy
from numpy.typing import NDArray

from sim.foundations.ports import Array


def of_shift(z: Array, size: float) -> Array:
    """Return (2, ...) terms for a mean of +size and of -size standard deviations."""
    return np.stack([size * z - 0.5 * size * size, -size * z - 0.5 * size * size])


def of_scatter(z: Array, ratio: float) -> Array:
    """Return the terms for a standard deviation of `ratio`, summed over the last axis."""
    return np.asarray(
        np.sum(0.5 * (1.0 - 1.0 / ratio**2) * z * z - math.log(ratio), axis=-1)
    )


def of_line(block: Array, size: float) -> Array:
    """Return the terms for a sine of amplitude `size` at any one of the block's frequencies.

    Parameters
    ----------
    block : (N, ...) ndarray
        Readings of N frames in a row.
    size : float
        Amplitude, in standard deviations of a reading.

    Returns
    -------
    (...) ndarray
        Logarithm of the mean over frequencies of exp(-r) I0(2 sqrt(r p)): p is the periodogram in
        units of its mean, exponentially distributed with mean 1 while all is well (R. A. Fisher,
        Proc. R. Soc. A 125 (1929) 54), and r = N size^2/4 what the sine adds to it. The two lowest
        frequencies, where a drift is, and the highest are left out.
    """
    n = len(block)
    power = np.abs(np.fft.rfft(block, axis=0)[3 : (n + 1) // 2]) ** 2 / n
    r = 0.25 * n * size * size
    root = 2.0 * np.sqrt(r * power)
    each = root - r + np.log(scipy.special.i0e(root))
    return np.asarray(scipy.special.logsumexp(each, axis=0) - math.log(len(each)))


def of_loss(seen: NDArray[np.bool_], healthy: float, gone: float) -> Array:
    """Return the terms for spots that are lost with probability `gone` instead of `healthy`."""
    return np.where(
        seen, math.log((1.0 - gone) / (1.0 - healthy)), math.log(gone / healthy)
    )


def line_share(block: Array, beside: int | None = None) -> tuple[Array, int]:
    """Return Fisher's statistic of a block (N, ...), and of how many lines it is.

    It is the share that the strongest line has of the power: of all lines, or of those with at most
    `beside` lines between. Noise that a resonance shapes is high over many lines; a sine is not.
    """
    power = np.abs(np.fft.rfft(block, axis=0)[3 : (len(block) + 1) // 2]) ** 2
    lines = len(power)
    if beside is not None and lines > 2 * beside + 1:
        first = np.clip(power.argmax(axis=0) - beside, 0, lines - 2 * beside - 1)
        near = first + np.arange(2 * beside + 1).reshape(-1, *(1,) * (power.ndim - 1))
        power = np.take_along_axis(power, near, axis=0)
    total = power.sum(axis=0)
    return np.asarray(power.max(axis=0) / np.where(total > 0, total, 1.0)), len(power)


def line_chance(share: float, lines: int) -> float:
    """Return the chance that white readings give a line of this share of the power, or more.

    sum over j of (-1)^(j-1) C(q, j) (1 - j g)^(q-1), for as long as j g < 1.

    References
    ----------
    .. [1] R. A. Fisher, "Tests of significance in harmonic analysis", Proc. R. Soc. A 125 (1929)
       54.
    """
    total = 0.0
    for j in range(1, min(lines, math.ceil(1.0 / share)) + 1):
        if j * share >= 1.0:
            break
        total -= (-1.0) ** j * math.comb(lines, j) * (1.0 - j * share) ** (lines - 1)
    return min(max(total, 0.0), 1.0)
