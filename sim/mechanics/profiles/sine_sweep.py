"""A sine whose frequency moves."""

from typing import Annotated, Any, Final, Literal

import numpy as np

from sim.foundations.params import NonNegative, between
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
    faded,
    peak_of,
    written,
)

AMPLITUDE_BAND: Final = 0.15
"""Share by which the amplitude at the control point may differ (IEC 60068-2-6, from memory)."""
Rate = Literal["octave/min", "decade/min", "Hz/min"]


class SineSweepParams(EventParams):
    """A sine that sweeps from one frequency to another, once, or there and back.

    Valid from 0.01 Hz to 10 kHz and up to 1000 g, where shakers end; a fast sweep passes a
    resonance before it has rung up.
    """

    kind: Literal["sine_sweep"]
    from_hz: Annotated[float, between(0.01, 1e4)]
    """Frequency at the start. [Hz]"""
    to_hz: Annotated[float, between(0.01, 1e4)]
    """Frequency at the end; below `from_hz` the sweep goes down. [Hz]"""
    rate: Annotated[float, between(1e-3, 1e6)]
    """How fast it moves, in the unit of `rate_unit`. [-]"""
    rate_unit: Rate = "octave/min"
    """Octaves or decades a minute (a constant share of the frequency), or Hz a minute. [-]"""
    peak_g: Annotated[float, between(1e-9, 1e3)]
    """Amplitude of acceleration above the crossover. [g]"""
    displacement_mm: Annotated[float, between(1e-6, 1e4)] | None = None
    """Amplitude of displacement below the crossover, which lies where both agree; acceleration is
    constant throughout if left out. [mm]"""
    there_and_back: bool = False
    """Whether the sweep returns the same way. [-]"""
    ramp_ms: NonNegative = 0.0
    """Length of the cosine fade at each end. [ms]"""


class SineSweep:
    """A swept sine; below the crossover its displacement is constant, above its acceleration.

    References
    ----------
    .. [1] IEC 60068-2-6:2007, Environmental testing, Test Fc: vibration (sinusoidal).
    """

    Params = SineSweepParams

    def __init__(self, params: SineSweepParams, world: ProfileSite) -> None:
        """Lay out the sweep.

        Raises
        ------
        ValueError
            If it does not move.
        """
        self.params = p = params
        if p.from_hz == p.to_hz:
            raise ValueError(f"to_hz must differ from from_hz, got {p.to_hz:g} Hz for both")
        self.name = f"the sine sweep from {p.from_hz:g} to {p.to_hz:g} Hz"
        self._start_s = 1e-3 * p.start_ms
        self._up = 1.0 if p.to_hz > p.from_hz else -1.0
        self._peak_m_s2 = STANDARD_GRAVITY_M_S2 * p.peak_g * p.level
        moved = abs(p.to_hz - p.from_hz)
        if p.rate_unit == "Hz/min":
            self._one_s = 60.0 * moved / p.rate
        else:
            per_s = p.rate / 60.0 * np.log(2.0 if p.rate_unit == "octave/min" else 10.0)
            self._per_s = float(per_s)
            self._one_s = float(abs(np.log(p.to_hz / p.from_hz)) / per_s)
        ways = 2 if p.there_and_back else 1
        length_s = ways * self._one_s
        self.cycles = ways * abs(float(self._turns(np.array([self._one_s]))[0]))
        end_s = self._start_s + length_s
        self.highest_hz = max(p.from_hz, p.to_hz)
        strongest = float(self._amplitude(np.array([self.highest_hz]))[0])
        highest_s = 0.0 if p.from_hz > p.to_hz else self._one_s
        self.span = PlayedSpan(self._start_s, end_s, self._start_s + highest_s)
        self.expected = (
            Expected("largest amplitude", "m/s^2", strongest, (1 - AMPLITUDE_BAND) * strongest,
                     (1 + AMPLITUDE_BAND) * strongest, MEMORY, peak_of),
            Expected("cycles", "", self.cycles, self.cycles - 1.0, self.cycles + 1.0, PRACTICE,
                     self._crossings),
        )  # fmt: skip
        self.bands = (self._band(world.run_s),)
        self.conditions: dict[str, Any] = {
            "kind": p.kind, "from_hz": p.from_hz, "to_hz": p.to_hz, "rate": p.rate,
            "rate_unit": p.rate_unit, "peak_g": p.peak_g * p.level,
            "displacement_mm": None if p.displacement_mm is None else p.displacement_mm * p.level,
            "crossover_hz": self.crossover_hz, "cycles": self.cycles, "duration_s": length_s,
            "direction": written(p.direction), "starts_at_ms": p.start_ms,
        }  # fmt: skip

    @property
    def crossover_hz(self) -> float | None:
        """Where constant displacement and constant acceleration agree. [Hz]"""
        p = self.params
        if p.displacement_mm is None:
            return None
        ratio = STANDARD_GRAVITY_M_S2 * p.peak_g / (1e-3 * p.displacement_mm)
        return float(np.sqrt(ratio) / (2.0 * np.pi))

    def _amplitude(self, frequency_hz: Array) -> Array:
        p = self.params
        if p.displacement_mm is None:
            return np.full_like(frequency_hz, self._peak_m_s2)
        by_displacement = 1e-3 * p.displacement_mm * p.level * (2 * np.pi * frequency_hz) ** 2
        return np.minimum(by_displacement, self._peak_m_s2)

    def _frequency(self, into_s: Array) -> Array:
        p = self.params
        if p.rate_unit == "Hz/min":
            return p.from_hz + self._up * p.rate / 60.0 * into_s
        return p.from_hz * np.exp(self._up * self._per_s * into_s)

    def _turns(self, into_s: Array) -> Array:
        """Cycles since the start of the way there, the integral of the frequency."""
        p = self.params
        if p.rate_unit == "Hz/min":
            return p.from_hz * into_s + 0.5 * self._up * p.rate / 60.0 * into_s**2
        rate = self._up * self._per_s
        return p.from_hz * np.expm1(rate * into_s) / rate

    def frequency_hz(self, time_s: Array) -> Array:
        """Return the frequency at each time of the run. [Hz]"""
        into = np.clip(time_s - self._start_s, 0.0, self.span.to_s - self._start_s)
        back = into > self._one_s
        return self._frequency(np.where(back, 2.0 * self._one_s - into, into))

    def along(self, time_s: Array) -> Array:
        """Return (K,) acceleration along the direction. [m/s^2]"""
        into = np.clip(time_s - self._start_s, 0.0, self.span.to_s - self._start_s)
        back = into > self._one_s
        there = self._turns(np.where(back, 2.0 * self._one_s - into, into))
        turns = np.where(back, 2.0 * self._turns(np.array([self._one_s])) - there, there)
        weight = faded(time_s, self.span.from_s, self.span.to_s, 1e-3 * self.params.ramp_ms)
        return weight * self._amplitude(self.frequency_hz(time_s)) * np.sin(2 * np.pi * turns)

    def _band(self, run_s: float) -> ToleranceBand:
        """The amplitude over time, which the peaks of the sine must not pass."""
        at = np.linspace(self.span.from_s, min(self.span.to_s, run_s), 400)
        amplitude = self._amplitude(self.frequency_hz(at))
        top = (1 + AMPLITUDE_BAND) * amplitude
        return ToleranceBand("time", at, amplitude, -top, top, MEMORY)

    def _crossings(self, time_s: Array, acceleration_m_s2: Array) -> float:
        found = acceleration_m_s2[np.abs(acceleration_m_s2) > 0]
        return 0.5 * float(np.count_nonzero(np.diff(np.sign(found)) != 0) + 1)
