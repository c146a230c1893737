"""The ports of the loop: what an estimator, a controller, a shaper and a disturbance must be."""

from collections.abc import Iterable
from enum import IntEnum
from typing import Any, Final, NamedTuple, Protocol, TypeVar, runtime_checkable

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
"""An array of double-precision numbers."""
S = TypeVar("S")


class SpotStatus(IntEnum):
    """Why a reading is or is not usable; stored in traces, counted in reports."""

    OK = 0
    DIM = 1
    """Too little light above the threshold in the window."""
    EDGE = 2
    """The spot touches the edge of the window, so its position cannot be trusted."""
    FAILED = 3
    """The estimator found no position."""
    SEARCH = 4
    """The mirror's whole field is being read; there is no window, and no reading."""


class CameraBelief(NamedTuple):
    """What the firmware assumes about its camera; an estimator may use it."""

    black_dn: float
    gain_dn_per_e: float
    background_e: float
    read_noise_e: float
    full_scale_dn: int
    spot_sigma_px: float


class SpotReading(NamedTuple):
    """One estimate per mirror, in window pixels."""

    spot_px: Array
    """(M, 2) as (x, y), from the centre of pixel [0, 0]; NaN where the status is not OK. [px]"""
    flux_dn: Array
    """(M,) sum of what the estimator took for the spot. [DN]"""
    status: NDArray[np.uint8]
    """(M,) SpotStatus."""


def reading_fault(reading: Any, n_mirrors: int) -> tuple[int | None, str] | None:
    """Return what is wrong with what an estimator gave: (column of the mirror, words), or None."""
    if not isinstance(reading, SpotReading):
        return None, f"gave {type(reading).__name__}, not a SpotReading"
    shapes = {"spot_px": (n_mirrors, 2), "flux_dn": (n_mirrors,), "status": (n_mirrors,)}
    for name, shape in shapes.items():
        got = getattr(getattr(reading, name), "shape", None)
        if got != shape:
            return None, f"{name} must be of shape {shape} (got {got})"
    ok = reading.status == SpotStatus.OK
    bad = ok & ~np.isfinite(reading.spot_px).all(axis=1)
    if bad.any():
        column = int(bad.argmax())
        x, y = reading.spot_px[column]
        return column, f"status OK with a position that is not finite (got {x}, {y})"
    unknown = reading.status > SpotStatus.FAILED
    if unknown.any():
        column = int(unknown.argmax())
        return column, f"status must be OK, DIM, EDGE or FAILED (got {reading.status[column]})"
    return None


class PixelSums(NamedTuple):
    """A centre of gravity of max(dn - threshold, 0) in numbers, for the fused loop.

    An estimator that is no more than that may offer it, see `sim.estimators.EstimatorKind`.
    """

    threshold_dn: int
    """Taken off every pixel. [DN]"""
    min_flux_dn: float
    """Less than this above the threshold reads DIM. [DN]"""
    edge_px: float
    """Nearer than this to the outermost pixel centres reads EDGE. [px]"""


class Estimator(Protocol):
    """Turns frames (M, H, W) [DN] into one reading per mirror; settings are bound beforehand."""

    def __call__(self, frames_dn: NDArray[np.int32], *, camera: CameraBelief) -> SpotReading:
        """Return the spot of each frame; must not change its input."""
        ...


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
    states its law as well (`sim.linear_law.StatesLaw`) is run by the compiled loop.
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


class Shaper(Protocol):
    """Turns a commanded jump into a path for the feed-forward, sampled at the drive's ticks."""

    def path(self, start_rad: Array, target_rad: Array) -> Array:
        """Return commanded tilt (K, M, 2) [rad] at ticks 0 to K-1; the target is held then."""
        ...


def path_fault(path: Any, n_mirrors: int) -> str | None:
    """Return what is wrong with the path that a shaper gave, or None."""
    shape = getattr(path, "shape", None)
    if shape is None or len(shape) != 3 or shape[0] < 1 or shape[1:] != (n_mirrors, 2):
        return f"must be of shape (K, {n_mirrors}, 2) with K at least 1 (got {shape})"
    return None if np.isfinite(path).all() else "must be finite"


class Clock(NamedTuple):
    """The time base of a run: frames, and drive ticks inside a frame."""

    tick_s: float
    ticks_per_frame: int
    n_frames: int

    @property
    def frame_s(self) -> float:
        """Frame period. [s]"""
        return self.tick_s * self.ticks_per_frame

    def tick_times_s(self, first_frame: int, n_frames: int) -> Array:
        """Return the (n_frames * ticks_per_frame + 1,) tick edges of a block of frames. [s]"""
        first = first_frame * self.ticks_per_frame
        edges = np.arange(first, first + n_frames * self.ticks_per_frame + 1, dtype=np.float64)
        return self.tick_s * edges

    def frame_times_s(self, first_frame: int, n_frames: int) -> Array:
        """Return the (n_frames + 1,) frame edges of a block of frames. [s]"""
        edges = np.arange(first_frame, first_frame + n_frames + 1, dtype=np.float64)
        return self.frame_s * edges


class Effects(NamedTuple):
    """What a disturbance does over a block of F frames of N ticks; None where it does nothing.

    Values are given at edges and are linear between them; both ends of the block are included.
    """

    acceleration_m_s2: Array | None = None
    """(F*N + 1, 3) base acceleration at tick edges. [m/s^2]"""
    rest_rad: Array | None = None
    """(F + 1, M, 2) wander of the mirrors' rest angle at frame edges. [rad]"""
    sensor_rad: Array | None = None
    """(F + 1, 2) shift of the camera's frame against the fibres, as mirror tilt. [rad]"""
    gain: Array | None = None
    """(F + 1,) relative change of the drive's gain. [-]"""
    resonance: Array | None = None
    """(F + 1,) relative change of the mirrors' resonance. [-]"""
    temperature_k: Array | None = None
    """(F + 1,) bench temperature above reference. [K]"""


class Disturbance(Protocol[S]):
    """A disturbance. Blocks are asked for in order, each starting where the last ended."""

    def initial_state(self) -> S:
        """Return the state before the first frame."""
        ...

    def advance(self, state: S, first_frame: int, n_frames: int) -> tuple[S, Effects]:
        """Return (next state, effects over the block); must not change its input."""
        ...


@runtime_checkable
class WorthAPicture(Protocol):
    """A disturbance whose strongest base acceleration is worth spot images of that moment."""

    worth_a_picture: bool


class Event(NamedTuple):
    """What happens once in a run, as it was asked for; it may reach beyond the run."""

    name: str
    from_s: float
    to_s: float
    peak_s: float
    """When it is strongest. [s]"""


def conditions_of(disturbances: Iterable[Any]) -> list[dict[str, Any]]:
    """Return what is to be filed of those disturbances that state it in their `conditions`."""
    found = (getattr(disturbance, "conditions", None) for disturbance in disturbances)
    return [dict(conditions) for conditions in found if isinstance(conditions, dict)]


def events_of(disturbances: Iterable[Any]) -> list[Event]:
    """Return the events of those disturbances that state one in their `event`."""
    found = (getattr(disturbance, "event", None) for disturbance in disturbances)
    return [event for event in found if isinstance(event, Event)]


def shows_event(disturbance: Any) -> bool:
    """Return whether spot images are kept of a disturbance's strongest acceleration."""
    return isinstance(disturbance, WorthAPicture) and disturbance.worth_a_picture


@runtime_checkable
class WithDensity(Protocol):
    """A disturbance that turns mirrors at random and states its spectral density.

    Without it a study that needs one plays the disturbance and takes a periodogram.
    """

    def density_rad2_per_hz(self, frequency_hz: Array) -> Array:
        """Return the one-sided density (F,) of the rest angle, per axis. [rad^2/Hz]"""
        ...


class Site(NamedTuple):
    """What a disturbance knows of the run it takes part in."""

    clock: Clock
    mirror_ids: NDArray[np.int64]
    """(M,) number of each simulated mirror in the whole switch; random numbers are keyed by it."""
    key: tuple[int, int]
    """(seed, stream): the random numbers that are this disturbance's own (see sim.rng)."""
    folder: Any
    """pathlib.Path against which relative file names are read."""
    age_h: float = 0.0
    """Age of the switch at the start of the run, from first power. [h]"""
    population_key: tuple[int, int] | None = None
    """(seed, stream) for what belongs to the mirrors as they were built; `key` if None."""
