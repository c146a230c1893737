"""A motion whose shock response spectrum follows a required one."""

from functools import lru_cache
from typing import Annotated, Any, Final, Literal, NamedTuple

import numpy as np
from pydantic import AfterValidator, Field

from sim.foundations.params import Block, Positive, between
from sim.foundations.ports import Array
from sim.foundations.rng import uniforms
from sim.mechanics.profiles.profile import (
    PRACTICE,
    STANDARD_GRAVITY_M_S2,
    EventParams,
    Expected,
    PlayedSpan,
    ProfileSite,
    ToleranceBand,
    velocity_of,
    written,
)
from sim.mechanics.resampling import read_between
from sim.mechanics.shock_spectrum import shock_spectrum

LINES_PER_OCTAVE: Final = 6
CHECKS_PER_OCTAVE: Final = 24
PASSES: Final = 12
POWER: Final = 0.7
"""How much of a line's ratio is put right in one pass."""
MOST_HALVES: Final = 15
"""Half sines of a wavelet, at most: with more the spectrum sags between the lines."""
OVERSAMPLING: Final = 16.0
MOST_SAMPLES: Final = 2**20


class RequiredPoint(Block):
    """A corner of a required response spectrum.

    Valid from 1 mHz to 100 kHz and up to 10 000 g, as a shock is.
    """

    hz: Annotated[float, between(1e-3, 1e5)]
    """Frequency. [Hz]"""
    g: Annotated[float, between(1e-9, 1e4)]
    """Required response there. [g]"""


def _check_corners(points: tuple[RequiredPoint, ...]) -> tuple[RequiredPoint, ...]:
    if len(points) < 2:
        raise ValueError(f"a required spectrum needs two corners at least, got {len(points)}")
    for one, two in zip(points[:-1], points[1:], strict=True):
        if two.hz <= one.hz:
            raise ValueError(f"hz must rise from corner to corner, got {one.hz:g}, {two.hz:g}")
    return points


RequiredCorners = Annotated[tuple[RequiredPoint, ...], AfterValidator(_check_corners)]


class SpectrumMatchParams(EventParams):
    """A sum of wavelets, each at a frequency of its own, matched to a required response spectrum.

    Levels are the user's; none is taken from a standard here.

    Valid for quality factors of 0.6, below which a resonator has no peak, to 200.
    """

    kind: Literal["spectrum_match"]
    required: RequiredCorners
    """Corners of the required response spectrum, straight between them on logarithmic axes. [-]"""
    quality: Annotated[float, between(0.6, 200.0)]
    """Quality factor of the spectrum's resonators; 25 for a damping of 2 %. [-]"""
    duration_ms: Positive
    """Length; at least one and a half periods of the lowest frequency. [ms]"""
    tolerance_db: Annotated[float, Field(gt=0.0, le=12.0)] = 6.0
    """How far above the required spectrum the motion's may lie. [dB]"""


class Matched(NamedTuple):
    """A matched motion."""

    samples: Array
    """(N,) [m/s^2]"""
    rate_hz: float
    lowest_db: float
    """Smallest and largest ratio of its spectrum to the required one, on the finer grid."""
    highest_db: float


class SpectrumMatch:
    """Wavelets A sin(2 pi f t/n) sin(2 pi f t) of n half sines, n odd.

    Such a wavelet leaves neither velocity nor displacement behind, so no baseline needs to be
    corrected. Amplitudes are iterated until the spectrum meets the required one at six lines to
    the octave; it is then looked at on 24 to the octave, and raised until it lies nowhere below.

    References
    ----------
    .. [1] D. O. Smallwood and A. R. Nord, "Matching shock spectra with sums of decaying sinusoids
       compensated for shaker velocity and displacement limitations", Shock and Vibration
       Bulletin 44 (1974): the approach (from memory); the wavelet here is compact instead.
    """

    Params = SpectrumMatchParams

    def __init__(self, params: SpectrumMatchParams, world: ProfileSite) -> None:
        """Match the motion.

        Raises
        ------
        ValueError
            If the motion is too short for its lowest frequency, or takes too many samples.
        """
        self.params = p = params
        corners = tuple((point.hz, point.g) for point in p.required)
        self.matched = m = match(corners, p.quality, 1e-3 * p.duration_ms, world.key)
        self.name = f"the motion matched from {corners[0][0]:g} to {corners[-1][0]:g} Hz"
        start_s = 1e-3 * p.start_ms
        peak_s = start_s + float(np.abs(m.samples).argmax()) / m.rate_hz
        self.span = PlayedSpan(start_s, start_s + 1e-3 * p.duration_ms, peak_s)
        self.highest_hz = corners[-1][0]
        fine = _grid(corners, CHECKS_PER_OCTAVE)
        wanted = p.level * required_at(corners, fine)
        top = wanted * 10.0 ** (p.tolerance_db / 20.0)
        self.bands = (
            ToleranceBand("spectrum", fine, wanted, wanted * (1 - 1e-2), top, PRACTICE, p.quality),
        )
        peak = p.level * float(np.abs(m.samples).max())
        self.expected = (
            Expected("velocity left at the end", "m/s", 0.0, -0.01, 0.01, PRACTICE, velocity_of),
        )
        self.conditions: dict[str, Any] = {
            "kind": p.kind, "required_hz": [f for f, _ in corners],
            "required_g": [g * p.level for _, g in corners], "quality": p.quality,
            "peak_g": peak / STANDARD_GRAVITY_M_S2, "duration_s": 1e-3 * p.duration_ms,
            "spectrum_over_required_db": [m.lowest_db, m.highest_db],
            "direction": written(p.direction), "starts_at_ms": p.start_ms,
        }  # fmt: skip

    def along(self, time_s: Array) -> Array:
        """Return (K,) acceleration along the direction. [m/s^2]"""
        position = (time_s - self.span.from_s) * self.matched.rate_hz
        inside = (position >= 0) & (position <= len(self.matched.samples) - 1)
        out = np.zeros(len(time_s))
        out[inside] = read_between(self.matched.samples[:, None], position[inside])[:, 0]
        return self.params.level * out


def required_at(corners: tuple[tuple[float, float], ...], frequency_hz: Array) -> Array:
    """Return a required spectrum between its corners. [m/s^2]"""
    hz, g = np.array(corners).T
    straight = np.interp(np.log(frequency_hz), np.log(hz), np.log(g))
    return STANDARD_GRAVITY_M_S2 * np.exp(straight)


def _grid(corners: tuple[tuple[float, float], ...], per_octave: int) -> Array:
    low, high = corners[0][0], corners[-1][0]
    return np.geomspace(low, high, int(np.ceil(per_octave * np.log2(high / low))) + 1)


@lru_cache(maxsize=32)
def match(
    corners: tuple[tuple[float, float], ...], quality: float, length_s: float, key: tuple[int, int]
) -> Matched:
    """Return a motion whose spectrum lies nowhere below the required one.

    Parameters
    ----------
    corners : tuple of (float, float)
        Frequencies [Hz] and required responses [g].
    quality : float
        Of the resonators.
    length_s : float
        Length of the motion. [s]
    key : (int, int)
        Names where the wavelets begin, and their senses.

    Raises
    ------
    ValueError
        If the motion is too short for its lowest frequency, or takes too many samples.
    """
    lines = _grid(corners, LINES_PER_OCTAVE)
    if length_s < 1.5 / lines[0] * (1 - 1e-9):
        raise ValueError(
            f"duration_ms must be at least {1500.0 / lines[0]:g} ms, one and a half periods of "
            f"{lines[0]:g} Hz, got {1e3 * length_s:g} ms"
        )
    rate_hz = float(2.0 ** np.ceil(np.log2(OVERSAMPLING * lines[-1])))
    count = int(np.ceil(length_s * rate_hz)) + 1
    if count > MOST_SAMPLES:
        raise ValueError(
            f"a matched motion of {length_s:g} s up to {lines[-1]:g} Hz takes {count} samples, "
            f"more than {MOST_SAMPLES}"
        )
    time_s = np.arange(count) / rate_hz
    drawn = uniforms(key, np.arange(len(lines)))
    waves = np.stack(
        [_wavelet(time_s, f, length_s, *u) for f, u in zip(lines, drawn, strict=True)]
    )
    wanted = required_at(corners, lines)
    amplitude = wanted / 5.0
    for _ in range(PASSES):
        reached = shock_spectrum(amplitude @ waves, rate_hz, lines, quality)
        amplitude *= (wanted / reached) ** POWER
    fine = _grid(corners, CHECKS_PER_OCTAVE)
    ratio = shock_spectrum(amplitude @ waves, rate_hz, fine, quality) / required_at(corners, fine)
    span_db = 20.0 * float(np.log10(ratio.max() / ratio.min()))
    return Matched(amplitude @ waves / ratio.min(), rate_hz, 0.0, span_db)


def _wavelet(
    time_s: Array, frequency_hz: float, length_s: float, place: float, sense: float
) -> Array:
    """Return (N,) one wavelet of amplitude one, somewhere in the first half of the free time."""
    halves = int(2.0 * frequency_hz * length_s)
    halves = min(MOST_HALVES, halves - (halves + 1) % 2)
    free_s = length_s - halves / (2.0 * frequency_hz)
    into = time_s - 0.5 * place * free_s
    inside = (into >= 0) & (into <= halves / (2.0 * frequency_hz))
    turn = 2 * np.pi * frequency_hz * into
    wave = np.sin(turn / halves) * np.sin(turn)
    return np.where(inside, wave if sense < 0.5 else -wave, 0.0)
