"""What rounding inside a second-order section adds to its output, and how far its words go."""

import numpy as np

from sim.foundations.ports import Array


def power_gain(b: tuple[float, float, float], a1: float, a2: float) -> float:
    """Return the sum of the squared impulse response of (b0, b1, b2) / (1, a1, a2).

    White noise of variance v before such a section has the variance v times this behind it.

    Raises
    ------
    ValueError
        If the section is not stable.

    References
    ----------
    .. [1] K. J. Astrom, Introduction to Stochastic Control Theory, 1970: integrals of rational
       spectra in closed form. From memory.
    """
    if not (abs(a2) < 1 and abs(a1) < 1 + a2):
        raise ValueError(f"section: must be stable, got a1 = {a1}, a2 = {a2}")
    b0, b1, b2 = b
    e = 1 + a2
    top = (b0**2 + b1**2 + b2**2) * e - 2 * (b0 * b1 + b1 * b2) * a1
    top += 2 * b0 * b2 * (a1**2 - a2 * e)
    return float(top / ((1 - a2**2) * e - (1 - a2) * a1**2))


def rounding_gain(a1: float, a2: float, fed_back: int = 0) -> float:
    """Return how much of a rounding error's variance, q^2 / 12, reaches a section's output.

    For an error at the output or at a memory of the transposed direct form II, both of which
    pass 1 / A.

    Parameters
    ----------
    a1, a2 : float
        Poles of the section.
    fed_back : int
        0: errors are thrown away; 1: the last remainder is subtracted from the next sum (error
        passes 1 - 1/z besides); 2: twice so.
    """
    shaped = {0: (1.0, 0.0, 0.0), 1: (1.0, -1.0, 0.0), 2: (1.0, -2.0, 1.0)}
    if fed_back not in shaped:
        raise ValueError(f"fed_back: must be 0, 1 or 2, got {fed_back}")
    return power_gain(shaped[fed_back], a1, a2)


def peak_gains(b: tuple[float, float, float], a1: float, a2: float) -> tuple[float, float, float]:
    """Return the largest |output|, |memory 1| and |memory 2| for any input up to 1.

    Of the transposed direct form II. Sums of the magnitudes of impulse responses, so that an
    input exists that comes as near as one likes: an overflow is excluded by them, and by nothing
    less.
    """
    b0, b1, b2 = b
    if not (abs(a2) < 1 and abs(a1) < 1 + a2):
        raise ValueError(f"section: must be stable, got a1 = {a1}, a2 = {a2}")
    radius = max(abs(np.roots([1.0, a1, a2]))) if (a1 or a2) else 0.0
    length = 8 if radius == 0 else int(min(40 / max(1 - radius, 1e-6), 4_000_000)) + 64
    x = np.zeros(length)
    x[0] = 1.0
    from scipy.signal import lfilter  # a second of imports, for this alone

    y = lfilter([b0, b1, b2], [1.0, a1, a2], x)
    second = b2 * x - a2 * y
    first = b1 * x - a1 * y + np.concatenate([[0.0], second[:-1]])

    def total(h: Array) -> float:
        return float(np.abs(h).sum())

    return total(y), total(first), total(second)
