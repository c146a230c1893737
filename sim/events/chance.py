"""Which frames of which cameras an event strikes: all, a share of them, or bursts."""

from collections.abc import Mapping, Sequence
from typing import Annotated, Final

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from sim.events.groups import member
from sim.events.when import Flags, RunEventParams, Span
from sim.foundations.errors import ScenarioError
from sim.foundations.files.text import counted
from sim.foundations.params import Count, between
from sim.foundations.ports import Clock, EventSite
from sim.foundations.rng import Key, uniforms

MOST_RUNS: Final = 10_000_000
"""Bursts of one camera in a run; more are refused, since each is laid out."""
_INDEPENDENT, _BURST, _GAP = 0, 1, 2
"""Items of the draws."""


class FramesParams(RunEventParams):
    """Which frames of which camera."""

    camera: str | None = None
    """The camera; none: all, each by itself. [-]"""
    frames: Count | None = None
    """How many frames it lasts, in place of `for_ms`. [-]"""
    share_pct: Annotated[float, Field(gt=0, le=100)] = 100.0
    """Share of the frames that are struck, drawn from the seed. [%]"""
    burst_frames: Annotated[float, between(1.0, 1e5)] | None = None
    """Mean length of a burst, frames struck in a row; none: each frame is drawn by itself. [-]"""


class Strikes:
    """Draws which frames are struck; the same for every mirror that a camera sees.

    With bursts, frames struck and frames spared follow each other as in a chain of two states
    (Gilbert): the length of a burst is geometric with the mean that is asked for, and so is that of
    a gap, so that the share comes out. A burst may begin in the first frame, as after a long run.
    """

    def __init__(self, params: FramesParams, span: Span, site: EventSite) -> None:
        self._clock = site.clock
        self.span = frames_span(params, span, site.clock)
        self.cameras = cameras(params.camera, site)
        self._share = 0.01 * params.share_pct
        self._key = site.key
        self._numbers = [list(site.cameras).index(name) for name in self.cameras]
        self._edges = None
        if params.burst_frames is not None and self._share < 1.0:
            leave = 1.0 / params.burst_frames
            enter = self._share * leave / (1.0 - self._share)
            if enter > 1.0:
                raise ScenarioError(
                    f"burst_frames: bursts of {counted(params.burst_frames, 'frame')} cannot make "
                    f"up {params.share_pct:g} % of all, since gaps last at least a frame; at least "
                    f"{self._share / (1.0 - self._share):.3g} are needed"
                )
            self._edges = [self._bursts(number, leave, enter) for number in self._numbers]

    @property
    def mirrors(self) -> Flags:
        """(M,) those whose camera may be struck."""
        return np.logical_or.reduce(list(self.cameras.values()))

    def struck(self, frame: int) -> Flags:
        """Return the mirrors (M,) whose camera is struck in a frame."""
        found = np.zeros_like(self.mirrors)
        if not self.span.has(self._clock, frame):
            return found
        for hit, mirrors in zip(self._hit(frame), self.cameras.values(), strict=True):
            if hit:
                found |= mirrors
        return found

    def _hit(self, frame: int) -> Sequence[bool]:
        """Which cameras are struck in a frame."""
        if self._share >= 1.0:
            return [True] * len(self._numbers)
        if self._edges is not None:
            sides = [int(np.searchsorted(edges, frame, side="right")) for edges in self._edges]
            return [side % 2 == 1 for side in sides]
        drawn = uniforms(self._key, frame, _INDEPENDENT, self._numbers)[:, 0]
        return (drawn < self._share).tolist()

    def _bursts(self, number: int, leave: float, enter: float) -> NDArray[np.int64]:
        """Return the first frames of bursts and gaps in turn, a burst first."""
        first = round(self.span.from_s / self._clock.frame_s)
        last = min(round(self.span.to_s / self._clock.frame_s), self._clock.n_frames) + 1
        mean = 1.0 / leave + 1.0 / enter
        count = int((last - first) / mean * 1.5) + 64
        if count > MOST_RUNS:
            raise ScenarioError(f"burst_frames: more than {MOST_RUNS} bursts in a run")
        while True:
            burst = _geometric(self._key, count, _BURST, number, leave)
            gap = _geometric(self._key, count, _GAP, number, enter)
            begins_struck = uniforms(self._key, 0, _GAP + 1, number)[0] < self._share
            lengths = np.stack([burst, gap], axis=-1).ravel()
            if not begins_struck:
                lengths[0] = 0
            edges = first + np.concatenate([[0], np.cumsum(lengths)])
            if edges[-1] > last:
                return edges
            count *= 2


def _geometric(key: Key, count: int, item: int, number: int, stop: float) -> NDArray[np.int64]:
    """Return lengths (count,) of 1, 2, ... frames, each ended with the probability `stop`."""
    if stop >= 1.0:
        return np.ones(count, np.int64)
    drawn = uniforms(key, np.arange(count), item, number)[:, 0]
    return (1 + np.floor(np.log(drawn) / np.log1p(-stop))).astype(np.int64)


def frames_span(params: FramesParams, span: Span, clock: Clock) -> Span:
    """Return the span of the frames that may be struck.

    Raises
    ------
    ScenarioError
        If it is given twice.
    """
    if params.frames is None:
        return span
    if params.for_ms is not None:
        raise ScenarioError("frames: takes the place of for_ms; give one of the two")
    return Span(span.from_s, span.from_s + params.frames * clock.frame_s)


def cameras(name: str | None, site: EventSite) -> Mapping[str, Flags]:
    """Return the cameras that an event is about, with the mirrors (M,) of each."""
    if name is not None:
        return {name: member(site.cameras, name, "camera", "camera")}
    found = {each: mirrors for each, mirrors in site.cameras.items() if mirrors.any()}
    if not found:
        raise ScenarioError("camera: no camera sees a mirror of this run")
    return found


def all_members(groups: Mapping[str, Flags], count: int, what: str) -> Flags:
    """Return the mirrors (M,) of all boards, or of all cameras.

    Raises
    ------
    ScenarioError
        If there are none.
    """
    found = np.logical_or.reduce([np.zeros(count, bool), *groups.values()])
    if not found.any():
        raise ScenarioError(f"{what}: no {what} has a mirror of this run")
    return found


def camera_words(name: str | None) -> str:
    """Return which cameras are meant, as a sentence says it."""
    return "the cameras" if name is None else f"camera {name}"
