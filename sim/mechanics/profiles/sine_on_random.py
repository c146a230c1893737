"""Sines on top of random vibration."""

from typing import Annotated, Any, Final, Literal

import numpy as np
from pydantic import Field

from sim.foundations.params import Block, NonNegative, Positive, between
from sim.foundations.ports import Array
from sim.mechanics.profiles.density import RMS_BAND, Corners, Density, Noise
from sim.mechanics.profiles.profile import (
    MEMORY,
    PRACTICE,
    STANDARD_GRAVITY_M_S2,
    EventParams,
    Expected,
    PlayedSpan,
    ProfileSite,
    amplitude_at,
    faded,
    rms_between,
    written,
)
from sim.mechanics.profiles.random_vibration import density_band, read_noise
from sim.mechanics.profiles.sine_sweep import AMPLITUDE_BAND

APART: Final = 4.0
"""Lines of a Hann window between two sines that can be told apart, and between one and 0 Hz."""


class Tone(Block):
    """One sine.

    Valid from 1 mHz to 100 kHz and up to 1000 g, where shakers end.
    """

    hz: Annotated[float, between(1e-3, 1e5)]
    """Its frequency. [Hz]"""
    peak_g: Annotated[float, between(1e-9, 1e3)]
    """Its amplitude of acceleration. [g]"""
    phase_deg: Annotated[float, between(-1e4, 1e4)] = 0.0
    """Its phase at the start. [deg]"""


class SineOnRandomParams(EventParams):
    """Steady sines with Gaussian vibration below them.

    Valid for sines that do not beat with each other over the length: their phases are fixed.
    """

    kind: Literal["sine_on_random"]
    tones: Annotated[tuple[Tone, ...], Field(min_length=1)]
    """The sines. [-]"""
    density: Corners
    """Corners of the density of the random part. [-]"""
    duration_ms: Positive
    """Length, ramps included. [ms]"""
    clip_sigma: Annotated[float, Field(ge=1.0, le=10.0)] | None = None
    """Peaks of the random part beyond so many rms are cut, and its rms is kept. [-]"""
    ramp_ms: NonNegative = 0.0
    """Length of the cosine fade at each end. [ms]"""


class SineOnRandom:
    """The sum of sines and noise."""

    Params = SineOnRandomParams

    def __init__(self, params: SineOnRandomParams, world: ProfileSite) -> None:
        """Draw the noise."""
        self.params = p = params
        density = Density(p.density, p.level)
        self.name = f"{len(p.tones)} sine(s) on random vibration"
        start_s, length_s = 1e-3 * p.start_ms, 1e-3 * p.duration_ms
        self._noise = Noise(density, length_s, world.key, p.clip_sigma)
        self._ramp_s = 1e-3 * p.ramp_ms
        self.span = PlayedSpan(start_s, start_s + length_s, start_s + 0.5 * length_s)
        self.highest_hz = max(float(density.hz[-1]), *(tone.hz for tone in p.tones))
        rms = total_rms(density, p.tones, p.level)
        flat = (start_s + self._ramp_s, start_s + length_s - self._ramp_s)
        self.expected = (
            Expected("rms between the ramps", "m/s^2", rms, (1 - RMS_BAND) * rms,
                     (1 + RMS_BAND) * rms, PRACTICE, rms_between(*flat)),
            *sine_figures(p.tones, density, p.level, *flat),
        )  # fmt: skip
        self.bands = (density_band(density, tuple(tone.hz for tone in p.tones)),)
        self.conditions: dict[str, Any] = {
            "kind": p.kind, "rms_g": rms / STANDARD_GRAVITY_M_S2,
            "tones_hz": [tone.hz for tone in p.tones],
            "tones_peak_g": [tone.peak_g * p.level for tone in p.tones],
            "duration_s": length_s, "clip_sigma": p.clip_sigma,
            "direction": written(p.direction), "starts_at_ms": p.start_ms,
        }  # fmt: skip

    def along(self, time_s: Array) -> Array:
        """Return (K,) acceleration along the direction. [m/s^2]"""
        into = time_s - self.span.from_s
        weight = faded(time_s, self.span.from_s, self.span.to_s, self._ramp_s)
        sines = tones_at(self.params.tones, into, self.params.level)
        return weight * (read_noise(self._noise, into) + sines)


def sine_figures(
    tones: tuple[Tone, ...], density: Density, level: float, from_s: float, to_s: float
) -> tuple[Expected, ...]:
    """Return the amplitude of each sine that can be told from the others in this time.

    The noise below it moves the amplitude found by a Hann window by sqrt(3 P/T) rms, P its density;
    three times that are added to the tolerance.
    """
    length_s, found = to_s - from_s, []
    for k, tone in enumerate(tones):
        apart = [abs(tone.hz - other.hz) for j, other in enumerate(tones) if j != k]
        if length_s * min([tone.hz, *apart]) < APART:
            continue
        peak = STANDARD_GRAVITY_M_S2 * level * tone.peak_g
        slack = AMPLITUDE_BAND * peak + 3 * float(np.sqrt(3 * density.at(tone.hz) / length_s))
        found.append(
            Expected(f"amplitude at {tone.hz:g} Hz", "m/s^2", peak, peak - slack, peak + slack,
                     MEMORY, amplitude_at(tone.hz, from_s, to_s))
        )  # fmt: skip
    return tuple(found)


def tones_at(tones: tuple[Tone, ...], into_s: Array, level: float) -> Array:
    """Return (K,) the sum of some sines. [m/s^2]"""
    total = np.zeros(len(into_s))
    for tone in tones:
        phase = 2 * np.pi * tone.hz * into_s + np.deg2rad(tone.phase_deg)
        total += level * STANDARD_GRAVITY_M_S2 * tone.peak_g * np.sin(phase)
    return total


def total_rms(density: Density | None, tones: tuple[Tone, ...], level: float) -> float:
    """Return the rms of noise and sines of different frequencies. [m/s^2]"""
    power = 0.0 if density is None else density.rms_m_s2**2
    power += sum(0.5 * (level * STANDARD_GRAVITY_M_S2 * tone.peak_g) ** 2 for tone in tones)
    return float(np.sqrt(power))
