"""What a controller gets and gives, and what it may say of its settings."""

from typing import Final, NamedTuple, Protocol, TypeVar, runtime_checkable

import numpy as np
from numpy.typing import NDArray

from sim.foundations.ports.array import Array

S = TypeVar("S")


class PlantBelief(NamedTuple):
    """What the firmware assumes about timing and mirrors: all that a controller may know."""

    frame_s: float
    """Frame period. [s]"""
    exposure_s: float
    """Exposure time, from the frame's start. [s]"""
    latency_s: float
    """From the frame's start to the first drive tick that carries its correction. [s]"""
    tick_s: float
    """Drive (DAC) update period. [s]"""
    resonance_rad_s: tuple[float, float]
    """Undamped resonance, (x, y). [rad/s]"""
    quality: tuple[float, float]
    """Quality factor, (x, y). [-]"""
    amplifier_s: float
    """Time constant of the high-voltage amplifier. [s]"""
    limit_rad: float
    """Largest static tilt that drive and travel allow. [rad]"""


class TiltReading(NamedTuple):
    """What the loop tells a controller once a frame."""

    tilt_rad: Array
    """(M, 2) measured mechanical tilt, averaged over the exposure; NaN where lost. [rad]"""
    status: NDArray[np.uint8]
    """(M,) SpotStatus."""


class Setpoint(NamedTuple):
    """Where the mirrors should have been, and how far a correction may go."""

    reference_rad: Array
    """(M, 2) expected mean tilt over the exposure that the reading is of. [rad]"""
    lowest_rad: Array
    """(M, 2) most negative correction that the drive can still carry out. [rad]"""
    highest_rad: Array
    """(M, 2) most positive correction that the drive can still carry out. [rad]"""


class Controller(Protocol[S]):
    """Turns tilt readings into corrections, one call a frame for the whole fleet.

    The loop adds the correction to the feed-forward of the commanded path and holds it until the
    next one arrives. Settings are fixed at construction; state is passed in and returned. One that
    states its law as well (`sim.foundations.ports.linear_law.StatesLaw`) is run by the compiled
    loop.
    """

    def initial_state(self, n_mirrors: int) -> S:
        """Return the state before the first frame."""
        ...

    def step(self, state: S, reading: TiltReading, setpoint: Setpoint) -> tuple[S, Array]:
        """Return (next state, correction (M, 2) [rad]); must not change its inputs."""
        ...


DIGITS: Final = 4
"""Decimal digits of a chosen setting: what is judged is what is filed."""


class Knob(NamedTuple):
    """One setting to choose, between two values, on a logarithmic scale unless `low` is zero."""

    name: str
    low: float
    high: float

    def value(self, share: float) -> float:
        """Return the setting at a share of the range, in `DIGITS` digits between its ends."""
        if share in (0.0, 1.0):
            return (self.low, self.high)[int(share)]
        if self.low > 0:
            exact = float(self.low * (self.high / self.low) ** share)
        else:
            exact = self.low + (self.high - self.low) * share
        return min(max(float(f"{exact:.{DIGITS}g}"), self.low), self.high)

    def share(self, value: float) -> float:
        """Return where in the range a setting is, cut off at its ends."""
        if self.low > 0:
            part = np.log(max(value, self.low) / self.low) / np.log(self.high / self.low)
        else:
            part = (value - self.low) / (self.high - self.low)
        return float(np.clip(part, 0.0, 1.0))


@runtime_checkable
class Tunable(Protocol):
    """A controller class that says which of its settings a search may vary, and how far."""

    knobs: tuple[Knob, ...]


@runtime_checkable
class WithRules(Protocol):
    """A controller class that knows rules for its settings."""

    def rules(self, plant: PlantBelief) -> dict[str, dict[str, float]]:
        """Return the settings that each rule, by name, gives; a static method of the class."""
        ...
