"""One-sided spectral densities of acceleration in straight lines on logarithmic axes."""

from collections.abc import Sequence
from typing import Annotated, Final, Self

import numpy as np
from numpy.typing import ArrayLike
from pydantic import AfterValidator, model_validator

from sim.foundations.params import Block, between
from sim.foundations.ports import Array
from sim.foundations.rng import normals
from sim.mechanics.profiles.profile import STANDARD_GRAVITY_M_S2

DECIBEL_BAND: Final = 3.0
"""Half width of the usual tolerance on a density. [dB]"""
RMS_BAND: Final = 0.10
"""Share by which the rms of a random vibration may usually differ."""
OVERSAMPLING: Final = 8.0
"""Samples made to a period of the highest frequency, at least."""
MOST_SAMPLES: Final = 2**24
BLOCK_BINS: Final = 4096


class DensityPoint(Block):
    """A corner of the density: its frequency, and its value or the slope that leads to it.

    Valid from 1 mHz to 100 kHz, up to 1e4 g^2/Hz, and for slopes up to 200 dB an octave:
    steeper ones are edges, given by two corners close together.
    """

    hz: Annotated[float, between(1e-3, 1e5)]
    """Frequency of the corner. [Hz]"""
    g2_per_hz: Annotated[float, between(1e-12, 1e4)] | None = None
    """One-sided density there. [g^2/Hz]"""
    db_per_octave: Annotated[float, between(-200.0, 200.0)] | None = None
    """Instead: slope from the corner before to this one. [dB/octave]"""

    @model_validator(mode="after")
    def _check_one(self) -> Self:
        if (self.g2_per_hz is None) == (self.db_per_octave is None):
            raise ValueError("one of g2_per_hz and db_per_octave must be given")
        return self


def _check_corners(points: tuple[DensityPoint, ...]) -> tuple[DensityPoint, ...]:
    if len(points) < 2:
        raise ValueError(f"a density needs two corners at least, got {len(points)}")
    if points[0].g2_per_hz is None:
        raise ValueError("the first corner needs its g2_per_hz")
    for one, two in zip(points[:-1], points[1:], strict=True):
        if two.hz <= one.hz:
            raise ValueError(f"hz must rise from corner to corner, got {one.hz:g}, {two.hz:g}")
    return points


Corners = Annotated[tuple[DensityPoint, ...], AfterValidator(_check_corners)]


class Density:
    """A density between its corners; zero outside them."""

    def __init__(self, points: Sequence[DensityPoint], level: float = 1.0) -> None:
        """Work out the corners; the level multiplies the acceleration, its square the density."""
        self.hz = np.array([point.hz for point in points])
        values: list[float] = []
        for i, point in enumerate(points):
            if point.g2_per_hz is not None:
                values.append(point.g2_per_hz)
            else:
                octaves = float(np.log2(point.hz / points[i - 1].hz))
                values.append(values[-1] * 10.0 ** (0.1 * (point.db_per_octave or 0.0) * octaves))
        self.values = np.array(values) * (STANDARD_GRAVITY_M_S2 * level) ** 2
        """(m/s^2)^2/Hz at the corners."""

    def at(self, frequency_hz: ArrayLike) -> Array:
        """Return the density at some frequencies. [(m/s^2)^2/Hz]"""
        f = np.asarray(frequency_hz, dtype=float)
        inside = (f >= self.hz[0] * (1 - 1e-12)) & (f <= self.hz[-1] * (1 + 1e-12))
        safe = np.where(inside, np.maximum(f, 1e-300), self.hz[0])
        return np.where(
            inside, np.exp(np.interp(np.log(safe), np.log(self.hz), np.log(self.values))), 0.0
        )

    @property
    def rms_m_s2(self) -> float:
        """Root of the area, segment by segment in closed form. [m/s^2]"""
        area = 0.0
        for i in range(len(self.hz) - 1):
            f1, f2 = self.hz[i], self.hz[i + 1]
            p1, p2 = self.values[i], self.values[i + 1]
            slope = np.log(p2 / p1) / np.log(f2 / f1)
            if abs(slope + 1.0) < 1e-9:
                area += p1 * f1 * np.log(f2 / f1)
            else:
                area += p1 * f1**-slope * (f2 ** (slope + 1) - f1 ** (slope + 1)) / (slope + 1)
        return float(np.sqrt(area))


class Noise:
    """Gaussian noise of a density, sampled evenly over a stretch of time."""

    def __init__(
        self, density: Density, length_s: float, key: tuple[int, int], clip_sigma: float | None
    ) -> None:
        """Make the samples.

        Every bin of a Fourier series over a stretch somewhat longer than asked for gets two normal
        numbers, so that any sample is Gaussian and the series has the density on average. Clipping
        cuts what exceeds `clip_sigma` rms, and the result is raised so that the rms is kept.

        Raises
        ------
        ValueError
            If there are too many samples.
        """
        self.rate_hz = float(2.0 ** np.ceil(np.log2(OVERSAMPLING * density.hz[-1])))
        count = int(2 ** np.ceil(np.log2(1.05 * length_s * self.rate_hz + 64)))
        if count > MOST_SAMPLES:
            raise ValueError(
                f"random vibration of {length_s:g} s up to {density.hz[-1]:g} Hz takes {count} "
                f"samples, more than {MOST_SAMPLES}"
            )
        spacing_hz = self.rate_hz / count
        bins = np.arange(count // 2 + 1)
        used = np.nonzero(density.at(bins * spacing_hz))[0]
        spectrum = np.zeros(count // 2 + 1, dtype=complex)
        for start in range(0, len(used), BLOCK_BINS):
            some = used[start : start + BLOCK_BINS]
            drawn = normals(key, some, 0, 0)
            size = 0.5 * count * np.sqrt(density.at(some * spacing_hz) * spacing_hz)
            spectrum[some] = size * (drawn[:, 0] - 1j * drawn[:, 1])
        samples = np.fft.irfft(spectrum, count)
        if clip_sigma is not None:
            limit = clip_sigma * density.rms_m_s2
            samples = np.clip(samples, -limit, limit) / kept_by_clipping(clip_sigma)
        self.samples = samples[: int(np.ceil(length_s * self.rate_hz)) + 32]
        """(N,) [m/s^2]"""


def kept_by_clipping(sigma: float) -> float:
    """Return the rms of a standard normal that is limited to +-sigma.

    The variance is 1 - 2 Q(s) - 2 s phi(s) + 2 s^2 Q(s), with Q the upper tail and phi the
    density: exact.
    """
    from scipy.special import ndtr

    tail = float(ndtr(-sigma))
    density = float(np.exp(-0.5 * sigma**2) / np.sqrt(2.0 * np.pi))
    return float(np.sqrt(1.0 - 2.0 * tail - 2.0 * sigma * density + 2.0 * sigma**2 * tail))
