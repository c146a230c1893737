"""A driver board that loses its power, and has it back: the same board, or another in its place."""

from typing import Annotated, Literal

import numpy as np
from pydantic import Field

from sim.events.groups import member
from sim.events.when import Happening, RunEventParams, over_axes, span_of, tick_times_s
from sim.foundations.params import NonNegative
from sim.foundations.ports import EventSite, Faults
from sim.foundations.rng import normals

SETTLED = 40.0
"""Time constants after which a voltage is taken for gone, or for whole: 4e-18 of it is left."""


class BoardPowerParams(RunEventParams):
    """A driver board without power for a while.

    What its channels ask of their mirrors falls to nothing, and the mirrors swing to their rest.
    When power is back, channels ask at once for the command and the correction that was held, and
    the mirrors ring to their place; lost spots are searched for where the camera does that.

    Valid for boards that keep nothing else. Mirrors that return are not led back along a path of
    their own.
    """

    kind: Literal["board_power"]
    board: str
    """Which board. [-]"""
    fall_ms: NonNegative = 0.0
    """Time constant with which what channels ask for falls; 0: at once. [ms]"""
    rise_ms: NonNegative = 0.0
    """Time constant with which it comes back; 0: at once. [ms]"""
    noticed: bool = True
    """Whether the firmware knows that the board is without power: it then takes no readings of its
    mirrors (status NO_FRAME) and holds their corrections. Else it follows spots that it may find at
    the mirrors' rest, and winds the corrections up to their limits. [-]"""
    gain_error_pct: Annotated[float, Field(ge=0, le=20)] = 0.0
    """Standard deviation of the channels' gain of another board against that of the first, as long
    as it has not been calibrated; 0: the same board comes back. [%]"""


class BoardPower(Happening):
    """A driver board that loses its power."""

    Params = BoardPowerParams
    takes_over = True

    def __init__(self, params: BoardPowerParams, site: EventSite) -> None:
        """Find the board's mirrors, and draw the channels of the one that comes in its place."""
        mirrors = member(site.boards, params.board, "board", "board")
        span = span_of(params, site.clock)
        other = "and came back" if params.gain_error_pct == 0 else "and was replaced"
        back = f" {other}" if span.to_s < site.clock.n_frames * site.clock.frame_s else ""
        super().__init__(f"board {params.board} lost power{back}", span, site, mirrors)
        self._noticed = params.noticed
        self._fall_s, self._rise_s = 1e-3 * params.fall_ms, 1e-3 * params.rise_ms
        drawn = np.clip(normals(site.key, site.mirror_ids), -3.0, 3.0).T
        self._new = np.where(mirrors, 1.0 + 0.01 * params.gain_error_pct * drawn, 1.0)
        stays = params.gain_error_pct > 0
        run_s = site.clock.n_frames * site.clock.frame_s
        self.ends_s = span.to_s
        to_s = run_s if stays else min(span.to_s + SETTLED * self._rise_s, run_s)
        self.event = self.event._replace(to_s=max(to_s, span.to_s))

    def faults(self, frame: int) -> Faults:
        """Return the factor on the channels' gain."""
        at_s = tick_times_s(self.clock, frame)
        since_s = at_s - self.span.from_s
        if since_s[-1] < 0:
            return Faults()
        off = self.span.ticks(self.clock, frame)
        back_s = np.where(at_s > self.span.from_s, at_s - self.span.to_s, -1.0)
        left = np.where(off, _decay(since_s, self._fall_s), 1.0)
        left_at_end = _decay(np.array([self.span.to_s - self.span.from_s]), self._fall_s)[0]
        after = ~off & (back_s > -0.5 * self.clock.tick_s)
        grown = 1.0 - (1.0 - left_at_end) * _decay(back_s, self._rise_s)
        gain = over_axes(np.where(after, grown, left), self.mirrors, 1.0)
        unread = self.mirrors if self._noticed and off[0] else None
        return Faults(gain=np.where(after[:, None, None], gain * self._new, gain), dropped=unread)


def _decay(since_s: np.ndarray, tau_s: float) -> np.ndarray:
    """Return what is left of a step, some time after it; all of it before."""
    if tau_s == 0.0:
        return np.where(since_s >= 0.0, 0.0, 1.0)
    return np.exp(-np.clip(since_s / tau_s, 0.0, SETTLED))
