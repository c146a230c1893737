"""Excitations of a mirror: step, chirp, multisine and pseudo-random binary sequence."""

import numpy as np
from numpy.typing import NDArray
from scipy.signal import max_len_seq

from sim.foundations.ports import Array

KINDS = ("multisine", "prbs", "chirp", "step")
PRBS_BITS = {7: 127, 8: 255, 9: 511, 10: 1023, 11: 2047}
"""Register lengths, and the lengths of their sequences."""


def excitation(kind: str, frames: int, amplitude: float, axis: int, period: int = 512) -> Array:
    """Return a zero-mean excitation (frames,), in the unit of `amplitude`.

    Axis 0 and axis 1 get sequences that are nearly uncorrelated, so that both axes can be driven
    at once and cross-axis coupling separated from the axis' own response.

    Parameters
    ----------
    kind : str
        One of `KINDS`.
    frames : int
        Length.
    amplitude : float
        Largest magnitude.
    axis : int
        0 or 1.
    period : int
        Frames in a period of a multisine.

    Returns
    -------
    (frames,) ndarray

    Raises
    ------
    ValueError
        If the kind is unknown, or the excitation does not fit into the frames.
    """
    if kind == "multisine":
        one = multisine(np.arange(1 + axis, period // 2, 2), period)
    elif kind == "prbs":
        bits = max((b for b, n in PRBS_BITS.items() if n <= frames), default=7)
        one = 2.0 * max_len_seq(bits)[0] - 1.0
        one = np.roll(one, axis * (len(one) // 2))
    elif kind == "chirp":
        t = (np.arange(frames) + 0.5) / frames
        sweep = np.sin(np.pi * (0.002 * t + 0.249 * t**2) * 2.0 * frames)
        one = sweep if axis == 0 else sweep[::-1]
    elif kind == "step":
        held = max(frames // (8 if axis == 0 else 12), 1)
        one = np.where((np.arange(frames) // held) % 2, 1.0, -1.0)
    else:
        raise ValueError(f'excitation must be one of {", ".join(KINDS)}, got "{kind}"')
    if frames < 64:
        raise ValueError(f"an excitation needs 64 frames at least, got {frames}")
    whole = np.resize(one, frames)
    return np.asarray(amplitude * whole / np.abs(whole).max())


def multisine(lines: NDArray[np.int64], period: int) -> Array:
    """Return one period of equal cosines at whole multiples of its frequency, low in crest factor.

    Phases are -pi k (k - 1) / N for the k-th of N lines.

    References
    ----------
    .. [1] M. R. Schroeder, IEEE Trans. Information Theory 16 (1970) 85. From memory.
    """
    k = np.arange(1, len(lines) + 1)
    phases = -np.pi * k * (k - 1) / len(lines)
    t = np.arange(period)[:, None] / period
    return np.asarray(np.cos(2 * np.pi * t * lines + phases).sum(axis=1))
