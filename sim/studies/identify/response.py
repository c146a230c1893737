"""Measured frequency response of a mirror behind its drive: continuous, or by frames.

Everything is in closed form and smooth in resonance, quality factor and delay, which a fit needs.
"""

from collections.abc import Iterator
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.foundations.ports import Array

Complex = NDArray[Any]
IMAGES = 8
"""Images of the sampled spectrum on either side. They fall off at least as the fourth power of
frequency, so the rest is some 1e-5 of the gain at rest for resonances up to the frame rate."""


ROUGH_IMAGES = 2
"""The same for first guesses: 1 % of the gain at rest at half the frame rate, and less below."""


class FrameTiming(NamedTuple):
    """When a correction acts and when the spot is seen."""

    frame_s: float
    """Frame period. [s]"""
    exposure_s: float
    """Exposure, from the frame's start. [s]"""
    amplifier_s: float
    """Time constant of the amplifier. [s]"""


class UnitResponse(NamedTuple):
    """A response with a gain of 1 at rest, and its derivatives, each (M, F)."""

    value: Complex
    by_log_resonance: Complex
    by_log_quality: Complex
    by_delay_s: Complex


def sampled_response(
    frequency_hz: NDArray[Any], resonance_hz: Array, quality: Array, delay_s: Array,
    timing: FrameTiming,
) -> UnitResponse:  # fmt: skip
    """Return reading over correction, frame by frame, with everything between them.

    The correction is held for a frame from `delay_s` after the frame's start; the reading is the
    mean tilt over the exposure. A held value has lines at every image of its frequency, and all of
    them come back to the same frequency when the spot is sampled: the response is their sum.

    Parameters
    ----------
    frequency_hz : (F,) ndarray
        From 0 to half the frame rate. [Hz]
    resonance_hz, quality : (M,) ndarray
        Undamped resonance, which may lie above half the frame rate, and quality factor.
    delay_s : (M,) ndarray
        From the start of a frame to the correction made from it. [s]
    timing : FrameTiming

    Returns
    -------
    UnitResponse
        Phase is that of reading k over correction k.
    """
    rate_hz = 1.0 / timing.frame_s
    w, damping = 2 * np.pi * resonance_hz[:, None], 2 * np.pi * (resonance_hz / quality)[:, None]
    value, by_delay, by_s, by_s2 = np.zeros((4, len(w), len(frequency_hz)), complex)
    for image in range(-IMAGES, IMAGES + 1):
        turn = 2 * np.pi * (frequency_hz + image * rate_hz)
        s = 1j * turn
        fixed = _mean_of_hold(s * timing.frame_s) * _mean_of_exposure(s * timing.exposure_s)
        fixed = fixed / (1.0 + s * timing.amplifier_s)
        later = np.exp(-2j * np.pi * image * rate_hz * delay_s)[:, None]
        # w^2 / (s^2 + s w / Q + w^2), its derivatives by parts that are the same for all images.
        real, imaginary = w**2 - turn**2, damping * turn
        inverse = (real - 1j * imaginary) / (real**2 + imaginary**2)
        mirror = (w**2 * later) * fixed * inverse
        value += mirror
        by_delay -= s * mirror
        mirror *= inverse
        mirror *= s
        by_s += mirror
        mirror *= s
        by_s2 += mirror
    delayed = np.exp(-2j * np.pi * frequency_hz * delay_s[:, None])
    for part in (value, by_delay, by_s, by_s2):
        part *= delayed
    by_s *= damping
    return UnitResponse(value, 2.0 * by_s2 + by_s, by_s, by_delay)


def delayed_shapes(
    frequency_hz: NDArray[Any], resonance_hz: Array, quality: Array, delays_s: Array,
    timing: FrameTiming,
) -> Iterator[Complex]:  # fmt: skip
    """Yield `sampled_response(...).value` (M, F) for each delay, with `ROUGH_IMAGES` images."""
    parts, turns = [], []
    for image in range(-ROUGH_IMAGES, ROUGH_IMAGES + 1):
        s = 2j * np.pi * (frequency_hz + image / timing.frame_s)
        fixed = _mean_of_hold(s * timing.frame_s) * _mean_of_exposure(s * timing.exposure_s)
        w = 2 * np.pi * resonance_hz[:, None]
        fixed = fixed / (1.0 + s * timing.amplifier_s)
        parts.append(fixed * w**2 / (s**2 + s * w / quality[:, None] + w**2))
        turns.append(np.exp(-s * delays_s[:, None]))
    for k in range(len(delays_s)):
        yield sum(turn[k] * part for turn, part in zip(turns, parts, strict=True))


def continuous_response(
    frequency_hz: Array, resonance_hz: Array, quality: Array, delay_s: Array, amplifier_s: float
) -> UnitResponse:
    """Return tilt over wanted tilt as an analyser at the drive measures it; as above, unsampled."""
    s = 2j * np.pi * frequency_hz
    mirror = mirror_response(s, resonance_hz, quality)
    delayed = np.exp(-s * delay_s[:, None]) / (1.0 + s * amplifier_s)
    return UnitResponse(
        delayed * mirror.value,
        delayed * mirror.by_log_resonance,
        delayed * mirror.by_log_quality,
        -s * delayed * mirror.value,
    )


def mirror_response(s: Complex, resonance_hz: Array, quality: Array) -> UnitResponse:
    """Return w^2 / (s^2 + s w / Q + w^2) and its derivatives; that by delay is zero."""
    w = 2 * np.pi * resonance_hz[:, None]
    damping = s * w / quality[:, None]
    denominator = s**2 + damping + w**2
    value = w**2 / denominator
    return UnitResponse(
        value,
        value * (2.0 * s**2 + damping) / denominator,
        value * damping / denominator,
        np.zeros_like(value),
    )


def _mean_of_hold(x: Complex) -> Complex:
    """(1 - exp(-x)) / x, one at zero."""
    return _ratio(-np.expm1(-x), x)


def _mean_of_exposure(x: Complex) -> Complex:
    """(exp(x) - 1) / x, one at zero."""
    return _ratio(np.expm1(x), x)


def _ratio(a: Complex, b: Complex) -> Complex:
    return np.divide(a, b, out=np.ones_like(b), where=b != 0)
