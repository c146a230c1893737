"""Standard shock pulses: their shapes, velocity changes and tolerance bands."""

from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike

from sim.foundations.ports import Array

Pulse = Literal["half_sine", "sawtooth", "trapezoid"]

EDGE = 0.1
"""Rise and fall time of the trapezoid, as a share of its duration."""
BAND: Final = 0.2
"""Half width of the tolerance band, as a share of the peak."""
VELOCITY_BAND: Final = 0.15
"""Share by which the velocity change of a shaker's pulse may differ."""
_ROUNDING = 1e-9


def pulse_shape(pulse: Pulse, phase: ArrayLike) -> Array:
    """Return the pulse, peak one, at `phase` = time since its start over its duration.

    The two ends belong to the pulse, so the sawtooth is one at phase 1 and zero just after it.
    """
    at = np.asarray(phase, dtype=float)
    inside = (at >= -_ROUNDING) & (at <= 1.0 + _ROUNDING)
    at = np.clip(at, 0.0, 1.0)
    if pulse == "half_sine":
        shape = np.sin(np.pi * at)
    elif pulse == "sawtooth":
        shape = at
    elif pulse == "trapezoid":
        shape = np.minimum(1.0, np.minimum(at, 1.0 - at) / EDGE)
    else:
        raise ValueError(f'pulse must be "half_sine", "sawtooth" or "trapezoid", got "{pulse}"')
    return np.where(inside, shape, 0.0)


def velocity_change_m_s(pulse: Pulse, peak_m_s2: float, duration_s: float) -> float:
    """Return the area under the ideal pulse: 2AD/pi, AD/2 or 0.9AD. [m/s]"""
    shares = {"half_sine": 2.0 / np.pi, "sawtooth": 0.5, "trapezoid": 1.0 - EDGE}
    if pulse not in shares:
        raise ValueError(f"pulse must be one of {', '.join(shares)}, got {pulse!r}")
    return float(shares[pulse] * peak_m_s2 * duration_s)


def tolerance_band(
    pulse: Pulse, peak_m_s2: float, duration_s: float, times_s: ArrayLike
) -> tuple[Array, Array]:
    """Return the lower and upper limit for a shaker's pulse, nominal -/+ 0.2 of the peak.

    The 0.2 is the band of IEC 60068-2-27 from memory, not checked against the document; so is
    the rule that goes with it, a velocity change within 15 %. The document's figures may treat
    the corners and the time before and after the pulse otherwise.

    Parameters
    ----------
    pulse : {"half_sine", "sawtooth", "trapezoid"}
        Nominal shape.
    peak_m_s2, duration_s : float
        Nominal peak [m/s^2] and duration [s].
    times_s : (K,) array_like
        Times since the nominal start. [s]

    Returns
    -------
    lower, upper : (K,) ndarray
        [m/s^2]

    Raises
    ------
    ValueError
        If the pulse is not known.
    """
    nominal = peak_m_s2 * pulse_shape(pulse, np.asarray(times_s, dtype=float) / duration_s)
    return nominal - BAND * peak_m_s2, nominal + BAND * peak_m_s2


def peak_phase(pulse: Pulse) -> float:
    """Return where a pulse is strongest: at its end for a sawtooth, else in its middle. [-]"""
    return 1.0 if pulse == "sawtooth" else 0.5
