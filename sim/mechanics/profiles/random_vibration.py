"""Random vibration of a given spectral density."""

from typing import Annotated, Any, Literal

import numpy as np
from pydantic import Field

from sim.foundations.params import NonNegative, Positive
from sim.foundations.ports import Array
from sim.mechanics.profiles.density import (
    DECIBEL_BAND,
    RMS_BAND,
    Corners,
    Density,
    Noise,
)
from sim.mechanics.profiles.profile import (
    PRACTICE,
    STANDARD_GRAVITY_M_S2,
    EventParams,
    Expected,
    PlayedSpan,
    ProfileSite,
    ToleranceBand,
    faded,
    rms_between,
    written,
)
from sim.mechanics.resampling import read_between


class RandomVibrationParams(EventParams):
    """Gaussian vibration of a one-sided density, reproducible from the seed.

    Valid for frequencies that the drive's ticks can show; cutting peaks spreads some power to
    others.
    """

    kind: Literal["random_vibration"]
    density: Corners
    """Corners of the density, straight between them on logarithmic axes, zero outside. [-]"""
    duration_ms: Positive
    """Length, ramps included. [ms]"""
    clip_sigma: Annotated[float, Field(ge=1.0, le=10.0)] | None = None
    """Peaks beyond so many rms are cut, and the rms is kept; none are cut if left out. [-]"""
    ramp_ms: NonNegative = 0.0
    """Length of the cosine fade at each end. [ms]"""


class RandomVibration:
    """Gaussian noise with the density of its corners.

    References
    ----------
    .. [1] IEC 60068-2-64:2008, Environmental testing, Test Fh: vibration, broadband random.
    .. [2] M. Shinozuka and G. Deodatis, Applied Mechanics Reviews 44 (1991) 191: simulation of
       Gaussian processes by spectral representation.
    """

    Params = RandomVibrationParams

    def __init__(self, params: RandomVibrationParams, world: ProfileSite) -> None:
        """Draw the noise."""
        self.params = p = params
        self.density = density = Density(p.density, p.level)
        self.name = f"the random vibration from {density.hz[0]:g} to {density.hz[-1]:g} Hz"
        start_s, length_s = 1e-3 * p.start_ms, 1e-3 * p.duration_ms
        self._noise = Noise(density, length_s, world.key, p.clip_sigma)
        self._ramp_s = 1e-3 * p.ramp_ms
        flat = (start_s + self._ramp_s, start_s + length_s - self._ramp_s)
        samples = self._noise.samples
        inside = samples[: int(length_s * self._noise.rate_hz)]
        peak_s = start_s + float(np.abs(inside).argmax()) / self._noise.rate_hz
        self.span = PlayedSpan(start_s, start_s + length_s, peak_s)
        self.highest_hz = float(density.hz[-1])
        rms = density.rms_m_s2
        self.expected = (
            Expected("rms between the ramps", "m/s^2", rms, (1 - RMS_BAND) * rms,
                     (1 + RMS_BAND) * rms, PRACTICE, rms_between(*flat)),
        )  # fmt: skip
        self.bands = (density_band(density),)
        self.conditions: dict[str, Any] = {
            "kind": p.kind, "rms_g": rms / STANDARD_GRAVITY_M_S2, "from_hz": float(density.hz[0]),
            "to_hz": self.highest_hz, "duration_s": length_s, "clip_sigma": p.clip_sigma,
            "direction": written(p.direction), "starts_at_ms": p.start_ms,
        }  # fmt: skip

    def along(self, time_s: Array) -> Array:
        """Return (K,) acceleration along the direction. [m/s^2]"""
        weight = faded(time_s, self.span.from_s, self.span.to_s, self._ramp_s)
        return weight * read_noise(self._noise, time_s - self.span.from_s)


def read_noise(noise: Noise, into_s: Array) -> Array:
    """Return (K,) noise at times since its start; what lies outside it counts as zero."""
    position = into_s * noise.rate_hz
    return read_between(noise.samples[:, None], position)[:, 0]


def density_band(density: Density, sines_hz: tuple[float, ...] = ()) -> ToleranceBand:
    """Return a density with the usual +-3 dB, and where sines stand out of it."""
    at = np.unique(np.concatenate([density.hz, np.geomspace(density.hz[0], density.hz[-1], 120)]))
    nominal = density.at(at)
    factor = 10.0 ** (0.1 * DECIBEL_BAND)
    return ToleranceBand("density", at, nominal, nominal / factor, nominal * factor, PRACTICE,
                sines_hz=sines_hz)  # fmt: skip
