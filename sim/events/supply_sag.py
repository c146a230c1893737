"""A supply that sags: the amplifiers of a board lose some of their gain for a while."""

from typing import Annotated, Literal

import numpy as np
from pydantic import Field

from sim.events.chance import all_members
from sim.events.groups import member
from sim.events.when import Happening, RunEventParams, over_axes, span_of, tick_times_s
from sim.foundations.params import Positive
from sim.foundations.ports import EventSite, Faults

SETTLED = 40.0
"""Time constants after which a sag is over: 4e-18 of it is left."""


class SupplySagParams(RunEventParams):
    """A supply below its voltage, and with it the tilt per volt of what it feeds.

    The sag comes and goes with one time constant, that of the supply's capacitors. The gain falls
    as the voltage: push-pull combs go as the bias. Valid for amplifiers that are not yet cut off.
    """

    kind: Literal["supply_sag"]
    board: str | None = None
    """Which board; none: all, from one supply. [-]"""
    sag_pct: Annotated[float, Field(gt=0, le=90)]
    """What the gain falls by. [%]"""
    tau_ms: Positive = 1.0
    """Time constant. [ms]"""


class SupplySag(Happening):
    """A supply that sags."""

    Params = SupplySagParams

    def __init__(self, params: SupplySagParams, site: EventSite) -> None:
        """Find the mirrors."""
        mirrors = (
            all_members(site.boards, len(site.mirror_ids), "board") if params.board is None
            else member(site.boards, params.board, "board", "board")
        )  # fmt: skip
        what = "the boards" if params.board is None else f"board {params.board}"
        span = span_of(params, site.clock)
        super().__init__(f"supply of {what} sagged by {params.sag_pct:g} %", span, site, mirrors)
        self._tau_s, self._sag = 1e-3 * params.tau_ms, 0.01 * params.sag_pct
        self.ends_s = span.to_s
        self.event = self.event._replace(to_s=span.to_s + SETTLED * self._tau_s)

    def faults(self, frame: int) -> Faults:
        """Return the factor on the gain."""
        at_s = tick_times_s(self.clock, frame)
        down = 1.0 - np.exp(-np.maximum(at_s - self.span.from_s, 0.0) / self._tau_s)
        up = 1.0 - np.exp(-np.maximum(at_s - self.span.to_s, 0.0) / self._tau_s)
        if not down.any():
            return Faults()
        return Faults(gain=over_axes(1.0 - self._sag * (down - up), self.mirrors, 1.0))
