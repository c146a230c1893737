"""Corrections that reach the drive later than planned, by a random time."""

import math
from typing import Annotated, Literal

import numpy as np

from sim.events.chance import camera_words, cameras
from sim.events.when import Happening, RunEventParams, span_of
from sim.foundations.params import between
from sim.foundations.ports import EventSite, Faults, Lateness
from sim.foundations.rng import uniforms

LONGEST = 5.0
"""An exponential is cut off at this many means."""


class LatencyJitterParams(RunEventParams):
    """Corrections that reach the drive later than planned.

    Read-out or computing takes longer by a random time, drawn for each frame and camera, and
    rounded up to updates of the drive. A correction that arrives after a newer one is not used.

    Valid up to a second; what the firmware believes of its latency stays.
    """

    kind: Literal["latency_jitter"]
    camera: str | None = None
    """The camera; none: all, each by itself. [-]"""
    jitter_us: Annotated[float, between(1e-3, 1e6)]
    """Longest extra latency, or the mean of an exponential one. [us]"""
    shape: Literal["uniform", "exponential"] = "uniform"
    """`uniform`: from none to `jitter_us`; `exponential`: with the mean `jitter_us`, cut off at
    five means. [-]"""


class LatencyJitter(Happening):
    """Latency that is not the same for every frame."""

    Params = LatencyJitterParams

    def __init__(self, params: LatencyJitterParams, site: EventSite) -> None:
        """Keep what the draws are made with."""
        self.params = params
        self._key = site.key
        self._cameras = cameras(params.camera, site)
        self._numbers = [list(site.cameras).index(name) for name in self._cameras]
        self._exponential = params.shape == "exponential"
        longest_us = params.jitter_us * (LONGEST if self._exponential else 1.0)
        self.lateness = Lateness(ticks=math.ceil(1e-6 * longest_us / site.clock.tick_s))
        words = f"latency of {camera_words(params.camera)} varied"
        mirrors = np.logical_or.reduce(list(self._cameras.values()))
        super().__init__(words, span_of(params, site.clock), site, mirrors)

    def faults(self, frame: int) -> Faults:
        """Return how much later this frame's corrections act."""
        if not self.span.has(self.clock, frame):
            return Faults()
        late = np.zeros(len(self.mirrors), np.int64)
        for number, mirrors in zip(self._numbers, self._cameras.values(), strict=True):
            drawn = float(uniforms(self._key, frame, 0, number)[0])
            part = min(-math.log(drawn), LONGEST) if self._exponential else drawn
            late[mirrors] = math.ceil(1e-6 * self.params.jitter_us * part / self.clock.tick_s)
        return Faults(late_ticks=late)
