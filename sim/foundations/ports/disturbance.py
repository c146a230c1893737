"""What a disturbance knows and does: the run it takes part in, its effects, its events."""

from collections.abc import Iterable
from typing import Any, Final, NamedTuple, Protocol, TypeVar, runtime_checkable

import numpy as np
from numpy.typing import NDArray

from sim.foundations.ports.array import Array

S = TypeVar("S")
SLOW_STREAMS: Final = 1 << 16
"""Streams of random numbers of slow time lie this far above those of the loop."""


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
    """A disturbance. Blocks are asked for in order, each starting where the last ended.

    `advance` may be called from another thread while the loop is in the block before: one call at a
    time, but beside steps of the controller and of other parts. Share no state with these. What is
    given must follow from the arguments and from what was fixed when the disturbance was made.
    """

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


def stated_events(disturbances: Iterable[Any]) -> list[Event]:
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


@runtime_checkable
class WithSlowTime(Protocol[S]):
    """A disturbance that can also go in steps of any length, for lives of years.

    `advance` and `slow` are one law on two clocks: at each time the effects have the same
    distribution, or the same value where nothing is drawn.
    """

    def slow_state(self) -> S:
        """Return the state at the start of the run."""
        ...

    def slow(self, state: S, time_s: Array) -> tuple[S, Effects]:
        """Return (state at the last time, effects with a row for each time).

        Times (T,) rise, and the first is not before the last of the call before. [s]
        """
        ...


@runtime_checkable
class WithChanges(Protocol):
    """A disturbance that says when steps of slow time must be short."""

    @property
    def longest_step_s(self) -> float:
        """Longest step that does not miss its course; infinity: any. [s]"""
        ...

    def changes_s(self, until_s: float) -> Array:
        """Return the times (K,) until then at which it begins to change at once. [s]"""
        ...


@runtime_checkable
class WithBias(Protocol):
    """A disturbance in proportion to the drive that each mirror has had, with a memory.

    A step of the drive at time zero shifts the rest angle by `bias_size_rad` times
    `step_response`; steps add (Boltzmann's superposition).
    """

    bias_size_rad: Array
    """(M, 2) final shift for the whole drive. [rad]"""

    def step_response(self, time_s: Array) -> Array:
        """Return the response to a unit step, at times since it; zero before it. [-]"""
        ...


class Beams(NamedTuple):
    """Which of M mirrors carry data light, from each of E commands on."""

    start_s: Array
    """(E,) [s]"""
    on: NDArray[np.bool_]
    """(E, M) whether a mirror carries a beam."""
    arrives: NDArray[np.bool_]
    """(E, M) whether that beam comes to it anew, so that it is dark during the move."""


class Site(NamedTuple):
    """What a disturbance knows of the run it takes part in."""

    clock: Clock
    mirror_ids: NDArray[np.int64]
    """(M,) number of each simulated mirror in the whole switch; random numbers are keyed by it."""
    key: tuple[int, int]
    """(seed, stream): random numbers of this disturbance alone (see sim.foundations.rng)."""
    folder: Any
    """pathlib.Path against which relative file names are read."""
    age_h: float = 0.0
    """Age of the switch at the start of the run, from first power. [h]"""
    population_key: tuple[int, int] | None = None
    """(seed, stream) for what belongs to the mirrors as they were built; `key` if None."""
    drive_share: Array | None = None
    """(M, 2) aim at the start over what the drive can do at most, signed; None: not known. [-]"""
    beams: Beams | None = None
    """Which mirrors carry light, and when; None: all, always."""

    @property
    def slow_key(self) -> tuple[int, int]:
        """(seed, stream): the random numbers of this disturbance in slow time."""
        seed, stream = self.key
        return seed, stream + SLOW_STREAMS
