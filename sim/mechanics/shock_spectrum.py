"""The shock response spectrum: the worst that one-resonance parts would feel of a shock."""

from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from sim.foundations.ports import Array
from sim.mechanics.resonator import initial_state, ramp_invariant, respond

Kind = Literal["absolute", "relative"]
SAMPLES_PER_PERIOD = 20.0
MOST_SAMPLES = 100_000
"""Longer motions are thinned to about this many before their spectra are taken."""
LEAST_PER_PERIOD = 10.0
"""Samples that thinning leaves to a period of the highest frequency, at least."""


class ResponseSpectrum(NamedTuple):
    """The shock response spectrum of a motion in three axes."""

    frequency_hz: Array
    """(n,) [Hz]"""
    maximax_m_s2: Array
    """(n, 3) [m/s^2]"""
    quality: float
    supported_hz: float
    """Up to here the motion has ten samples to a period; beyond, it may hold too little. [Hz]"""
    rate_hz: float
    """Samples a second of what limits that: a record, or the run itself. [Hz]"""


def thinned(
    acceleration: Array, rate_hz: float, highest_hz: float | None = None
) -> tuple[Array, float]:
    """Return a long motion with fewer samples, after a low-pass, and its sample rate.

    Parameters
    ----------
    acceleration : (N, ...) ndarray
        In any unit.
    rate_hz : float
        Its sample rate. [Hz]
    highest_hz : float, optional
        Of the frequencies that it must still serve; if left out, a tenth of the new rate. [Hz]

    Returns
    -------
    (n, ...) ndarray, float
        About `MOST_SAMPLES`, or as many as `highest_hz` needs; the new rate. [Hz]
    """
    stride = max(1, len(acceleration) // MOST_SAMPLES)
    if highest_hz is not None:
        stride = max(1, min(stride, int(rate_hz / (LEAST_PER_PERIOD * highest_hz))))
    if stride == 1:
        return acceleration, rate_hz
    from scipy.signal import resample_poly  # takes half a second to load, for long motions alone

    return np.asarray(resample_poly(acceleration, 1, stride, axis=0)), rate_hz / stride


def shock_spectrum(
    acceleration: ArrayLike,
    rate_hz: float,
    frequencies_hz: ArrayLike,
    quality: float,
    *,
    kind: Kind = "absolute",
    samples_per_period: float = SAMPLES_PER_PERIOD,
) -> Array:
    """Return the largest response of a resonator at each frequency, during the shock or after it.

    The base moves as straight lines between the samples, from rest. Where a frequency has fewer
    than `samples_per_period` samples to its period, points are put in on those lines, so that a
    peak between points is missed by at most 1 - cos(pi/samples_per_period): 1.2 % at 20. That
    invents no content: a record that is itself too coarse stays so. Straight lines weaken a sine
    of frequency f by sinc^2(f/rate), 3.3 % at a tenth of the rate; a record wants at least ten
    samples to the period of the highest frequency. Far below the rate, rounding costs a relative
    1e-16 (rate/(2 pi f))^2: 3e-6 at a millionth of the rate.

    Parameters
    ----------
    acceleration : (N,) array_like
        Base acceleration, in any unit; a sudden first value counts as a step.
    rate_hz : float
        Its sample rate. [Hz]
    frequencies_hz : (n,) array_like
        Undamped resonances. [Hz]
    quality : float
        Quality factor of every resonator; `numpy.inf` for no damping. [-]
    kind : {"absolute", "relative"}
        Absolute acceleration of the mass, or its relative displacement times (2 pi f)^2 (also
        called pseudo-acceleration).
    samples_per_period : float
        Points to a period of the resonator, at least; 0 takes the samples as they are.

    Returns
    -------
    (n,) ndarray
        Largest magnitude of either sign, in the unit of `acceleration` (the maximax).

    Raises
    ------
    ValueError
        If a shape, rate, frequency, quality or kind is not as above, or a sample is not finite.

    References
    ----------
    .. [1] D. O. Smallwood, "An improved recursive formula for calculating shock response
       spectra", Shock and Vibration Bulletin 51 (1981).
    """
    base = np.asarray(acceleration, dtype=float)
    frequencies = np.asarray(frequencies_hz, dtype=float)
    if base.ndim != 1 or len(base) < 2:
        raise ValueError(f"acceleration must be (N,) with N >= 2, got shape {base.shape}")
    if not np.isfinite(base).all():
        bad = int(np.argmin(np.isfinite(base)))
        raise ValueError(f"acceleration must be finite, sample {bad} is not")
    if not (np.isfinite(rate_hz) and rate_hz > 0):
        raise ValueError(f"rate_hz must be positive and finite, got {rate_hz}")
    if frequencies.ndim != 1 or not (np.isfinite(frequencies) & (frequencies > 0)).all():
        raise ValueError(f"frequencies_hz must be (n,), positive and finite, got {frequencies}")
    if not quality > 0:
        raise ValueError(f"quality must be positive, got {quality}")
    if kind not in ("absolute", "relative"):
        raise ValueError(f'kind must be "absolute" or "relative", got "{kind}"')
    if not (np.isfinite(samples_per_period) and samples_per_period >= 0):
        raise ValueError(f"samples_per_period must be zero or more, got {samples_per_period}")

    q = min(quality, 1e12)  # damping below rounding counts as none
    return np.array([_largest(base, rate_hz, f, q, kind, samples_per_period) for f in frequencies])


class SpectrumParts(NamedTuple):
    """The shock response spectrum of one axis, by when the largest response comes."""

    primary: Array
    """(n,) largest while the base moves."""
    residual: Array
    """(n,) largest after it has stopped."""

    @property
    def maximax(self) -> Array:
        """(n,) the larger of both."""
        return np.maximum(self.primary, self.residual)


def spectrum_parts(
    acceleration: ArrayLike, rate_hz: float, frequencies_hz: ArrayLike, quality: float
) -> SpectrumParts:
    """Return the primary and the residual shock response spectrum, of absolute acceleration.

    As `shock_spectrum`, whose result is the larger of both. The last sample of the acceleration is
    the end of the shock.
    """
    base = np.asarray(acceleration, dtype=float)
    found = [
        _parts(base, rate_hz, f, min(quality, 1e12), "absolute", SAMPLES_PER_PERIOD)
        for f in np.asarray(frequencies_hz, dtype=float)
    ]
    return SpectrumParts(*np.array(found).reshape(-1, 2).T)


def _largest(
    base: Array, rate_hz: float, frequency_hz: float, quality: float, kind: Kind, per_period: float
) -> float:
    """Return the maximax of one resonator."""
    return max(_parts(base, rate_hz, frequency_hz, quality, kind, per_period))


def _parts(
    base: Array, rate_hz: float, frequency_hz: float, quality: float, kind: Kind, per_period: float
) -> tuple[float, float]:
    """Return the largest response during and after; one period of rest follows for the latter."""
    times = max(1, int(np.ceil(per_period * frequency_hz / rate_hz - 1e-9)))
    fine = np.interp(np.arange((len(base) - 1) * times + 1) / times, np.arange(len(base)), base)
    rest = np.zeros(int(np.ceil(times * rate_hz / frequency_hz)) + 1)
    section = ramp_invariant(
        frequency_hz,
        quality,
        1.0 / (times * rate_hz),
        velocity=1.0 / quality if kind == "absolute" else 0.0,
    )
    _, response = respond(section, initial_state(1), np.concatenate([fine, rest])[:, None])
    size = np.abs(response[:, 0])
    return float(size[: len(fine)].max()), float(size[len(fine) :].max())
