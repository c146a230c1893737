"""What a profile is: acceleration along one direction, its figures, and the bands it must keep."""

from collections.abc import Callable, Mapping
from typing import Annotated, Any, ClassVar, Literal, NamedTuple, Protocol

import numpy as np
from pydantic import field_validator

from sim.foundations.params import Block, NonNegative, between
from sim.foundations.ports import Array

STANDARD_GRAVITY_M_S2 = 9.80665
"""By definition (3rd CGPM, 1901)."""
Axis = Literal["x", "y", "z", "+x", "+y", "+z", "-x", "-y", "-z"]
Direction = Axis | tuple[float, float, float]

PRACTICE = "common practice"
MEMORY = "from memory, not checked against the document"


class ProfileParams(Block):
    """What every profile has.

    Valid for factors of 1e-6 to 1e6; the acceleration that they lead to is said.
    """

    LEVEL: ClassVar[str] = "level"
    """Key that a level multiplies."""
    AIM: ClassVar[str] = "direction"
    """Key that holds its direction."""

    direction: Direction
    """Way of the acceleration: "x", "-z" and so on, or a vector of any length. [-]"""
    level: Annotated[float, between(1e-6, 1e6)] = 1.0
    """Factor on the whole acceleration. [-]"""

    @field_validator("direction")
    @classmethod
    def _check_direction(cls, value: str | tuple[float, float, float]) -> object:
        if not isinstance(value, str) and not np.linalg.norm(value) > 0:
            raise ValueError(f"direction must not be the zero vector, got {list(value)}")
        return value


class EventParams(ProfileParams):
    """A profile that begins and ends."""

    start_ms: NonNegative
    """When it begins. [ms]"""


class Expected(NamedTuple):
    """A figure of a profile that what is played is held to."""

    words: str
    unit: str
    nominal: float
    low: float
    high: float
    basis: str
    """Where the tolerance is from."""
    measure: Callable[[Array, Array], float]
    """Takes times (K,) [s] and acceleration along the direction (K,) [m/s^2]."""


class ToleranceBand(NamedTuple):
    """A curve that what is played is held to, between two others."""

    over: Literal["time", "density", "spectrum"]
    """Acceleration over time, spectral density, or shock response spectrum over frequency."""
    at: Array
    """(n,) times since the start of the run [s] or frequencies [Hz]."""
    nominal: Array
    """(n,) [m/s^2], or [(m/s^2)^2/Hz] for a density."""
    low: Array
    high: Array
    basis: str
    quality: float = 10.0
    """Of the resonators of a shock response spectrum. [-]"""
    sines_hz: tuple[float, ...] = ()
    """Where sines stand out of a density; an estimate is not held to the band there. [Hz]"""


class PlayedSpan(NamedTuple):
    """When a profile plays."""

    from_s: float
    to_s: float
    peak_s: float
    """When it is strongest. [s]"""


class Profile(Protocol):
    """A profile, ready to be read at any time of the run."""

    name: str
    """In a few words, for messages and pages."""
    span: PlayedSpan | None
    """None for what goes on all the time."""
    highest_hz: float
    """Above this it holds next to nothing; drive ticks must follow it. [Hz]"""
    conditions: Mapping[str, Any]
    """What is filed of it."""
    expected: tuple[Expected, ...]
    bands: tuple[ToleranceBand, ...]

    def along(self, time_s: Array) -> Array:
        """Return (K,) acceleration along the direction. [m/s^2]"""
        ...


class ProfileSite(NamedTuple):
    """What a profile knows of the run it plays in."""

    key: tuple[int, int]
    """(seed, stream) of its random numbers."""
    run_s: float
    """Length of the run. [s]"""


def unit_vector(direction: str | tuple[float, float, float]) -> Array:
    """Return the (3,) unit vector of "x", "-z" and so on, or of a vector's direction."""
    if isinstance(direction, str):
        vector = np.zeros(3)
        vector["xyz".index(direction[-1])] = -1.0 if direction[0] == "-" else 1.0
        return vector
    values = np.array(direction, dtype=float)
    return values / np.linalg.norm(values)


def written(direction: str | tuple[float, float, float]) -> str:
    """Return a direction as text."""
    if isinstance(direction, str):
        return direction
    return "(" + ", ".join(f"{value:g}" for value in direction) + ")"


def amplitude_at(
    frequency_hz: float, from_s: float, to_s: float
) -> Callable[[Array, Array], float]:
    """Return a measure: the amplitude of a sine between two times, by a Hann window. [m/s^2]"""

    def amplitude(time_s: Array, acceleration_m_s2: Array) -> float:
        inside = (time_s >= from_s) & (time_s <= to_s)
        weight = np.hanning(np.count_nonzero(inside) + 2)[1:-1]
        turns = np.exp(-2j * np.pi * frequency_hz * time_s[inside])
        total = weight.sum()
        return float(2 * np.abs(np.sum(weight * turns * acceleration_m_s2[inside])) / total) \
            if total else 0.0  # fmt: skip

    return amplitude


def faded(time_s: Array, from_s: float, to_s: float, ramp_s: float) -> Array:
    """Return (K,) weights: 0 outside, 1 inside, half a cosine of length `ramp_s` at each end."""
    inside = (time_s >= from_s - 1e-12) & (time_s <= to_s + 1e-12)
    if ramp_s <= 0:
        return inside.astype(float)
    from_end = np.minimum(time_s - from_s, to_s - time_s) / ramp_s
    return np.where(inside, 0.5 - 0.5 * np.cos(np.pi * np.clip(from_end, 0.0, 1.0)), 0.0)


def peak_of(time_s: Array, acceleration_m_s2: Array) -> float:
    """Return the largest magnitude. [m/s^2]"""
    return float(np.abs(acceleration_m_s2).max(initial=0.0))


def velocity_of(time_s: Array, acceleration_m_s2: Array) -> float:
    """Return the change of velocity from the first time to the last. [m/s]"""
    return float(np.trapezoid(acceleration_m_s2, time_s))


def rms_between(from_s: float, to_s: float) -> Callable[[Array, Array], float]:
    """Return a measure: the rms between two times. [m/s^2]"""

    def rms(time_s: Array, acceleration_m_s2: Array) -> float:
        inside = (time_s >= from_s) & (time_s <= to_s)
        return float(np.sqrt(np.mean(acceleration_m_s2[inside] ** 2))) if inside.any() else 0.0

    return rms
