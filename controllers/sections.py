"""Notch, lead and low-pass sections in series, run at the frame rate."""

import math
from typing import Annotated, Literal

import numpy as np
from pydantic import Field

from sim.foundations.params import Block, Fraction, PositiveXY, between
from sim.foundations.ports import Array


class NotchParams(Block):
    """(s^2 + floor w s / Q + w^2) / (s^2 + w s / Q + w^2), bilinear, exact at the centre.

    Valid for centres below half the frame rate, or folded there; quality factors of 0.05 to 10
    000, beyond which it is forgotten more slowly than any run lasts.
    """

    kind: Literal["notch"]
    """Name of this section. [-]"""
    frequency_hz: PositiveXY
    """Centre for the axes (x, y). [Hz]"""
    quality: Annotated[float, between(0.05, 1e4)]
    """Centre frequency over half-power width. [-]"""
    floor: Fraction = 0.0
    """Gain that is left at the centre. [-]"""
    fold: bool = False
    """Move a centre above half the frame rate to where the readings show it. [-]"""


class LeadParams(Block):
    """(1 + s / w_zero) / (1 + s / w_pole), bilinear; gain 1 at rest, more noise above.

    Valid from 1 mHz to 1 MHz; near half the frame rate the bilinear form bends the frequencies.
    """

    kind: Literal["lead"]
    """Name of this section. [-]"""
    zero_hz: Annotated[float, between(1e-3, 1e6)]
    """Where the gain starts to rise. [Hz]"""
    pole_hz: Annotated[float, between(1e-3, 1e6)]
    """Where the rise ends; above the zero. [Hz]"""


class LowPassParams(Block):
    """First or second order, bilinear, exact at the corner.

    Valid for corners below half the frame rate, from 1 mHz on, and quality factors of 0.05 to
    1000.
    """

    kind: Literal["low_pass"]
    """Name of this section. [-]"""
    corner_hz: Annotated[float, between(1e-3, 1e6)]
    """Corner; natural frequency in the second order. [Hz]"""
    order: Literal[1, 2] = 1
    """Order. [-]"""
    quality: Annotated[float, between(0.05, 1e3)] = math.sqrt(0.5)
    """Quality factor of the second order. [-]"""


SectionParams = Annotated[NotchParams | LeadParams | LowPassParams, Field(discriminator="kind")]


def folded_hz(frequency_hz: float, frame_s: float) -> float:
    """Return the frequency, at most half the frame rate, at which readings show `frequency_hz`."""
    rate_hz = 1.0 / frame_s
    return abs(frequency_hz - rate_hz * round(frequency_hz / rate_hz))


def below_nyquist(frequency_hz: float, frame_s: float, *, what: str) -> float:
    """Return the frequency, or raise a ValueError if the frame rate cannot carry it."""
    nyquist_hz = 0.5 / frame_s
    if not 0.0 < frequency_hz < nyquist_hz:
        raise ValueError(
            f"{what} must lie above 0 and below half the frame rate ({nyquist_hz:g} Hz), "
            f"got {frequency_hz:g} Hz"
        )
    return frequency_hz


def _bilinear(numerator: Array, denominator: Array, scale: float) -> Array:
    """Return [b0, b1, b2, a1, a2] of polynomials in s, highest power first, s = scale (z-1)/(z+1).

    Source: any textbook on digital filters, e.g. A. V. Oppenheim and R. W. Schafer, Discrete-Time
    Signal Processing, the section on the bilinear transformation.
    """
    squares = scale ** np.array([2.0, 1.0, 0.0])
    to_z = np.array([[1.0, -2.0, 1.0], [1.0, 0.0, -1.0], [1.0, 2.0, 1.0]])
    b = (numerator * squares) @ to_z
    a = (denominator * squares) @ to_z
    return np.concatenate([b, a[1:]]) / a[0]


def notch_coefficients(frequency_hz: float, quality: float, floor: float, frame_s: float) -> Array:
    """Return [b0, b1, b2, a1, a2] of a notch whose centre and quality hold after sampling.

    Raises
    ------
    ValueError
        If the centre is not below half the frame rate.
    """
    below_nyquist(frequency_hz, frame_s, what="notch frequency_hz")
    scale = 1.0 / math.tan(math.pi * frequency_hz * frame_s)
    numerator = np.array([1.0, floor / quality, 1.0])
    return _bilinear(numerator, np.array([1.0, 1.0 / quality, 1.0]), scale)


def lead_coefficients(zero_hz: float, pole_hz: float, frame_s: float) -> Array:
    """Return [b0, b1, 0, a1, 0] of a lead.

    Raises
    ------
    ValueError
        If the pole is not above the zero.
    """
    if pole_hz <= zero_hz:
        raise ValueError(f"lead pole_hz must be above zero_hz ({zero_hz:g} Hz), got {pole_hz:g} Hz")
    zero_s, pole_s = 1.0 / (2.0 * math.pi * zero_hz), 1.0 / (2.0 * math.pi * pole_hz)
    scale = 2.0 / frame_s
    b0, b1 = 1.0 + zero_s * scale, 1.0 - zero_s * scale
    a0, a1 = 1.0 + pole_s * scale, 1.0 - pole_s * scale
    return np.array([b0 / a0, b1 / a0, 0.0, a1 / a0, 0.0])


def low_pass_coefficients(corner_hz: float, order: int, quality: float, frame_s: float) -> Array:
    """Return [b0, b1, b2, a1, a2] of a low-pass whose corner holds after sampling.

    Raises
    ------
    ValueError
        If the corner is not below half the frame rate.
    """
    below_nyquist(corner_hz, frame_s, what="low_pass corner_hz")
    scale = 1.0 / math.tan(math.pi * corner_hz * frame_s)
    if order == 1:
        gain = 1.0 / (1.0 + scale)
        return np.array([gain, gain, 0.0, (1.0 - scale) * gain, 0.0])
    denominator = np.array([1.0, 1.0 / quality, 1.0])
    return _bilinear(np.array([0.0, 0.0, 1.0]), denominator, scale)


def section_coefficients(params: SectionParams, frame_s: float) -> Array:
    """Return (2, 5) [b0, b1, b2, a1, a2] for the axes (x, y)."""
    if isinstance(params, NotchParams):
        centres_hz = [
            folded_hz(f_hz, frame_s) if params.fold else _refuse_fold(f_hz, frame_s)
            for f_hz in params.frequency_hz
        ]
        return np.stack(
            [notch_coefficients(f, params.quality, params.floor, frame_s) for f in centres_hz]
        )
    if isinstance(params, LeadParams):
        one = lead_coefficients(params.zero_hz, params.pole_hz, frame_s)
    else:
        one = low_pass_coefficients(params.corner_hz, params.order, params.quality, frame_s)
    return np.stack([one, one])


def _refuse_fold(frequency_hz: float, frame_s: float) -> float:
    """Return the frequency, or say where a notch above half the frame rate would have to be."""
    nyquist_hz = 0.5 / frame_s
    if frequency_hz >= nyquist_hz:
        raise ValueError(
            f"notch frequency_hz must be below half the frame rate ({nyquist_hz:g} Hz), got "
            f"{frequency_hz:g} Hz; the readings show it at {folded_hz(frequency_hz, frame_s):g} Hz:"
            f" set fold = true to put the notch there"
        )
    return frequency_hz


def section_rows(params: tuple[SectionParams, ...], frame_s: float) -> Array:
    """Return sections in series, in the order of the signal, as a law takes them.

    Parameters
    ----------
    params : sequence of SectionParams
        In the order of the signal.
    frame_s : float
        Frame period. [s]

    Returns
    -------
    (n_sections, 1, 2, 5) ndarray
        [b0, b1, b2, a1, a2] for the axes (x, y), the same for every mirror.

    Raises
    ------
    ValueError
        If a section does not fit the frame rate.
    """
    rows = np.array([section_coefficients(p, frame_s) for p in params])
    return rows.reshape(len(params), 1, 2, 5)
