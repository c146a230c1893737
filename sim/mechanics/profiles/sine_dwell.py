"""A sine that stays at one frequency."""

from typing import Annotated, Any, Literal

import numpy as np

from sim.foundations.params import NonNegative, Positive, between
from sim.foundations.ports import Array
from sim.mechanics.profiles.profile import (
    MEMORY,
    STANDARD_GRAVITY_M_S2,
    EventParams,
    Expected,
    PlayedSpan,
    ProfileSite,
    ToleranceBand,
    faded,
    peak_of,
    written,
)
from sim.mechanics.profiles.sine_sweep import AMPLITUDE_BAND


class SineDwellParams(EventParams):
    """A sine that stays at one frequency.

    Valid from 0.01 Hz to 10 kHz and up to 1000 g, where shakers end.
    """

    kind: Literal["sine_dwell"]
    frequency_hz: Annotated[float, between(0.01, 1e4)]
    """[Hz]"""
    peak_g: Annotated[float, between(1e-9, 1e3)]
    """Amplitude of acceleration. [g]"""
    duration_ms: Positive
    """[ms]"""
    ramp_ms: NonNegative = 0.0
    """Length of the cosine fade at each end. [ms]"""


class SineDwell:
    """A sine of one frequency and amplitude."""

    Params = SineDwellParams

    def __init__(self, params: SineDwellParams, world: ProfileSite) -> None:
        """Lay out the dwell."""
        self.params = p = params
        self.name = f"the dwell at {p.frequency_hz:g} Hz"
        start_s, length_s = 1e-3 * p.start_ms, 1e-3 * p.duration_ms
        self._peak_m_s2 = STANDARD_GRAVITY_M_S2 * p.peak_g * p.level
        self.span = PlayedSpan(start_s, start_s + length_s, start_s + 0.5 * length_s)
        self.highest_hz = p.frequency_hz
        cycles = p.frequency_hz * length_s
        peak = self._peak_m_s2
        self.expected = (
            Expected("amplitude", "m/s^2", peak, (1 - AMPLITUDE_BAND) * peak,
                     (1 + AMPLITUDE_BAND) * peak, MEMORY, peak_of),
        )  # fmt: skip
        at = np.array([start_s, start_s + length_s])
        top = np.full(2, (1 + AMPLITUDE_BAND) * peak)
        self.bands = (ToleranceBand("time", at, np.full(2, peak), -top, top, MEMORY),)
        self.conditions: dict[str, Any] = {
            "kind": p.kind, "frequency_hz": p.frequency_hz, "peak_g": p.peak_g * p.level,
            "cycles": cycles, "duration_s": length_s,
            "displacement_mm": 1e3 * peak / (2 * np.pi * p.frequency_hz) ** 2,
            "direction": written(p.direction), "starts_at_ms": p.start_ms,
        }  # fmt: skip

    def along(self, time_s: Array) -> Array:
        """Return (K,) acceleration along the direction. [m/s^2]"""
        weight = faded(time_s, self.span.from_s, self.span.to_s, 1e-3 * self.params.ramp_ms)
        turns = self.params.frequency_hz * (time_s - self.span.from_s)
        return weight * self._peak_m_s2 * np.sin(2 * np.pi * turns)
