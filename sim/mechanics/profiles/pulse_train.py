"""A train of shock pulses at even distances; with many of them, what is called a bump test."""

from typing import Annotated, Any, Literal, Self

import numpy as np
from pydantic import Field, model_validator

from sim.foundations.params import between
from sim.foundations.ports import Array
from sim.mechanics.profiles.profile import (
    MEMORY,
    PRACTICE,
    STANDARD_GRAVITY_M_S2,
    EventParams,
    Expected,
    PlayedSpan,
    ProfileSite,
    ToleranceBand,
    peak_of,
    velocity_of,
    written,
)
from sim.mechanics.profiles.pulse import (
    BAND,
    VELOCITY_BAND,
    Pulse,
    peak_phase,
    pulse_shape,
    tolerance_band,
    velocity_change_m_s,
)


class PulseTrainParams(EventParams):
    """Pulses of one shape at even distances, all of one sense or of both in turn.

    Valid up to 10 000 g and 10 s, as a single shock is.
    """

    kind: Literal["pulse_train"]
    pulse: Pulse
    """Shape; the sawtooth peaks at its end, the trapezoid rises and falls in 10 % each. [-]"""
    peak_g: Annotated[float, between(1e-12, 1e4)]
    """Peak acceleration of each pulse. [g]"""
    duration_ms: Annotated[float, between(1e-3, 1e4)]
    """Duration of one pulse. [ms]"""
    count: Annotated[int, Field(ge=1, le=100_000)]
    """Pulses. [-]"""
    period_ms: Annotated[float, between(1e-3, 1e7)]
    """From the start of one pulse to that of the next. [ms]"""
    senses: Literal["same", "alternating"] = "same"
    """Whether every other pulse goes the other way. [-]"""

    @model_validator(mode="after")
    def _check_room(self) -> Self:
        if self.count > 1 and self.period_ms < self.duration_ms:
            raise ValueError(
                f"period_ms must be at least duration_ms, got {self.period_ms:g} and "
                f"{self.duration_ms:g}"
            )
        return self


class PulseTrain:
    """Pulses one after the other.

    References
    ----------
    .. [1] IEC 60068-2-27:2008, Environmental testing, Test Ea: shock (the three shapes; bumps are
       repeated shocks).
    """

    Params = PulseTrainParams

    def __init__(self, params: PulseTrainParams, world: ProfileSite) -> None:
        """Lay out the train."""
        self.params = p = params
        shape = p.pulse.replace("_", "-")
        self.name = (
            f"the train of {p.count} {shape} pulses" if p.count > 1 else f"the {shape} pulse"
        )
        self._start_s, self._length_s = 1e-3 * p.start_ms, 1e-3 * p.duration_ms
        self._period_s = 1e-3 * p.period_ms if p.count > 1 else self._length_s
        self._peak_m_s2 = STANDARD_GRAVITY_M_S2 * p.peak_g * p.level
        last_s = self._start_s + (p.count - 1) * self._period_s
        self.span = PlayedSpan(
            self._start_s,
            last_s + self._length_s,
            self._start_s + peak_phase(p.pulse) * self._length_s,
        )
        self.highest_hz = 1.0 / self._length_s
        change = velocity_change_m_s(p.pulse, self._peak_m_s2, self._length_s)
        total = change * (p.count if p.senses == "same" else p.count % 2)
        slack = VELOCITY_BAND * change * p.count
        self.expected = (
            Expected("peak", "m/s^2", self._peak_m_s2, (1 - BAND) * self._peak_m_s2,
                     (1 + BAND) * self._peak_m_s2, MEMORY, peak_of),
            Expected("velocity change", "m/s", total, total - slack, total + slack,
                     MEMORY, velocity_of),
            Expected("pulses", "", p.count, p.count, p.count, PRACTICE, self._count),
        )  # fmt: skip
        self.bands = (self._band(),)
        self.conditions: dict[str, Any] = {
            "kind": p.kind, "pulse": p.pulse.replace("_", "-"), "peak_g": p.peak_g * p.level,
            "duration_ms": p.duration_ms, "direction": written(p.direction),
            "starts_at_ms": p.start_ms, "velocity_change_m_s": change,
            "count": p.count, "period_ms": p.period_ms, "senses": p.senses,
        }  # fmt: skip

    def _sense(self, number: Array) -> Array:
        one = np.ones_like(number)
        return one if self.params.senses == "same" else np.where(number % 2, -one, one)

    def along(self, time_s: Array) -> Array:
        """Return (K,) acceleration along the direction. [m/s^2]"""
        since = time_s - self._start_s
        last = self.params.count - 1
        number = np.clip(np.floor(since / self._period_s + 1e-9), 0, last)
        phase = (since - number * self._period_s) / self._length_s
        return self._peak_m_s2 * self._sense(number) * pulse_shape(self.params.pulse, phase)

    def _band(self) -> ToleranceBand:
        at = np.linspace(-0.4 * self._length_s, 1.1 * self._length_s, 301)
        low, high = tolerance_band(self.params.pulse, self._peak_m_s2, self._length_s, at)
        nominal = 0.5 * (low + high)
        return ToleranceBand("time", self._start_s + at, nominal, low, high, MEMORY)

    def _count(self, time_s: Array, acceleration_m_s2: Array) -> float:
        over = np.abs(acceleration_m_s2) > 0.5 * self._peak_m_s2
        signs = np.where(over, np.sign(acceleration_m_s2), 0.0)
        return float(np.count_nonzero((signs[1:] != signs[:-1]) & (signs[1:] != 0)))
