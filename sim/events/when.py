"""When an event happens: from a moment on, for a while or to the end of the run."""

import math
from abc import ABC, abstractmethod
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.foundations.errors import ScenarioError
from sim.foundations.params import Block, NonNegative, Positive
from sim.foundations.ports import Array, Clock, Event, EventSite, Faults, Lateness

ROUNDING = 1e-6
Flags = NDArray[np.bool_]


class RunEventParams(Block):
    """When an event happens."""

    at_ms: NonNegative
    """When it begins. [ms]"""
    for_ms: Positive | None = None
    """How long it lasts; none: to the end of the run. [ms]"""


class Span(NamedTuple):
    """From one moment to another."""

    from_s: float
    to_s: float

    def ticks(self, clock: Clock, frame: int) -> Flags:
        """Return which ticks (N,) of a frame lie in it, those that start in it."""
        n = clock.ticks_per_frame
        at = np.arange(frame * n, frame * n + n)
        return (at >= _up(self.from_s / clock.tick_s)) & (at < _up(self.to_s / clock.tick_s))

    def has(self, clock: Clock, frame: int) -> bool:
        """Whether a frame starts in it."""
        return _up(self.from_s / clock.frame_s) <= frame < _up(self.to_s / clock.frame_s)

    def touches(self, clock: Clock, frame: int) -> bool:
        """Whether any part of a frame lies in it."""
        return self.from_s < (frame + 1) * clock.frame_s and frame * clock.frame_s < self.to_s


def _up(count: float) -> int:
    return math.ceil(count - ROUNDING)


def span_of(params: RunEventParams, clock: Clock) -> Span:
    """Return when an event happens.

    Raises
    ------
    ScenarioError
        If it begins after the end of the run.
    """
    run_s = clock.n_frames * clock.frame_s
    from_s = 1e-3 * params.at_ms
    if from_s >= run_s:
        raise ScenarioError(
            f"at_ms: an event must begin within the run of {1e3 * run_s:g} ms "
            f"(got {params.at_ms:g})"
        )
    return Span(from_s, run_s if params.for_ms is None else from_s + 1e-3 * params.for_ms)


def tick_times_s(clock: Clock, frame: int) -> Array:
    """Return when the ticks (N,) of a frame start. [s]"""
    n = clock.ticks_per_frame
    return clock.tick_s * np.arange(frame * n, frame * n + n, dtype=np.float64)


def over_axes(values: Array, mirrors: Flags, outside: float) -> Array:
    """Return a value for each tick (N,) as one for each tick, axis and mirror (N, 2, M).

    Mirrors that are not concerned get `outside`.
    """
    full = np.full((len(values), 2, len(mirrors)), outside)
    full[:, :, mirrors] = values[:, None, None]
    return full


def needs_images(site: EventSite) -> Flags:
    """Return all mirrors (M,), where images are made of them.

    Raises
    ------
    ScenarioError
        If readings are drawn from a table instead.
    """
    if not site.images:
        raise ScenarioError(
            'light: with camera.noise = "equivalent" readings are drawn from a table for the light '
            'as it is; use "fast"'
        )
    return np.ones(len(site.mirror_ids), bool)



class Happening(ABC):
    """Base of the shipped events: a name, a span and the mirrors concerned."""

    lateness = Lateness()
    takes_over = False
    """Whether mirrors no longer follow their loops, which wind up without being unstable."""

    def __init__(self, words: str, span: Span, site: EventSite, mirrors: Flags) -> None:
        self.span = span
        self.clock = site.clock
        self.mirrors = mirrors
        self.event = Event(words, span.from_s, span.to_s, span.from_s)
        self.ends_s = span.to_s
        """When what set it off is over; what is left of it may last until the event's end. [s]"""

    @abstractmethod
    def faults(self, frame: int) -> Faults:
        """Return what happens in a frame."""
