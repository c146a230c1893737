"""Vibration that goes on beside everything else: fans, a generator, a railway."""

from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, model_validator

from sim.foundations.params import NonNegative
from sim.foundations.ports import Array
from sim.mechanics.profiles.density import RMS_BAND, Corners, Density, Noise
from sim.mechanics.profiles.profile import (
    PRACTICE,
    STANDARD_GRAVITY_M_S2,
    Expected,
    ProfileParams,
    ProfileSite,
    faded,
    rms_between,
    written,
)
from sim.mechanics.profiles.random_vibration import density_band, read_noise
from sim.mechanics.profiles.sine_on_random import Tone, tones_at, total_rms


def _check_order(times_s: tuple[float, float]) -> tuple[float, float]:
    if times_s[1] <= times_s[0]:
        raise ValueError(f"must rise, got {times_s[0]:g} and {times_s[1]:g}")
    return times_s


class AmbientVibrationParams(ProfileParams):
    """Sines, random vibration or both, through the whole run or while something passes.

    It is no event: limits are not asked to be put to the test by it. One entry for each source.

    Valid while the source stays what it is: it has no trend, and each entry is independent of
    the others.
    """

    kind: Literal["ambient_vibration"]
    tones: tuple[Tone, ...] = ()
    """Sines, such as a fan's blades or a generator's firing. [-]"""
    density: Corners | None = None
    """Corners of the density of a random part. [-]"""
    passes_s: Annotated[tuple[NonNegative, NonNegative], AfterValidator(_check_order)] | None = None
    """When something passes, from and to; it swells and fades as a cosine. The whole run at full
    strength if left out. [s]"""

    @model_validator(mode="after")
    def _check_something(self) -> Self:
        if not self.tones and self.density is None:
            raise ValueError("tones or density must be given")
        return self


class AmbientVibration:
    """A steady or a passing surrounding."""

    Params = AmbientVibrationParams

    def __init__(self, params: AmbientVibrationParams, world: ProfileSite) -> None:
        """Draw the noise for the whole run."""
        self.params = p = params
        self.name = "the vibration of the surroundings"
        self.span = None
        density = None if p.density is None else Density(p.density, p.level)
        self._noise = (
            None if density is None else Noise(density, world.run_s, world.key, None)
        )
        tops = [tone.hz for tone in p.tones] + ([] if density is None else [density.hz[-1]])
        self.highest_hz = float(max(tops))
        rms = total_rms(density, p.tones, p.level)
        self.expected: tuple[Expected, ...] = ()
        self.bands = () if density is None else (
            density_band(density, tuple(tone.hz for tone in p.tones)),
        )
        if p.passes_s is None:
            self.expected = (
                Expected("rms", "m/s^2", rms, (1 - RMS_BAND) * rms, (1 + RMS_BAND) * rms, PRACTICE,
                         rms_between(0.0, world.run_s)),
            )  # fmt: skip
        else:
            self.bands = ()
        self.conditions: dict[str, Any] = {
            "kind": p.kind, "rms_g": rms / STANDARD_GRAVITY_M_S2,
            "tones_hz": [tone.hz for tone in p.tones], "passes_s": p.passes_s,
            "direction": written(p.direction),
        }  # fmt: skip

    def along(self, time_s: Array) -> Array:
        """Return (K,) acceleration along the direction. [m/s^2]"""
        p = self.params
        total = tones_at(p.tones, time_s, p.level)
        if self._noise is not None:
            total = total + read_noise(self._noise, time_s)
        if p.passes_s is None:
            return total
        return faded(time_s, *p.passes_s, 0.5 * (p.passes_s[1] - p.passes_s[0])) * total


