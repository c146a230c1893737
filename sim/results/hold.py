"""The hold interval: what the figures of pointing and loss are taken over."""

from typing import Annotated, NamedTuple, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import model_validator

from sim.foundations.params import Block, NonNegative, Positive, between

SLACK = 1e-6
"""Of a tick: times are sums of ticks, rounded."""


class MetricsParams(Block):
    """What counts as settled, as held, and as light; no default, since each decides a result.

    Valid for tolerances up to 1 rad, and outages up to 60 dB, where there is no light; the hold
    interval must lie within the run.
    """

    tolerance_urad: Annotated[float, between(1e-3, 1e6)]
    """Radial error within which a mirror counts as on its aim. [urad]"""
    dwell_ms: Positive
    """How long it must stay there to count as settled. [ms]"""
    hold_from_ms: NonNegative
    """Start of the interval over which pointing and loss are judged. [ms]"""
    hold_to_ms: Positive | None = None
    """Its end; the end of the run if left out. [ms]"""
    outage_excess_db: Annotated[float, between(1e-6, 60.0)]
    """Loss over the aligned loss above which a connection counts as out. [dB]"""

    @model_validator(mode="after")
    def _hold_goes_forward(self) -> Self:
        if self.hold_to_ms is not None and self.hold_to_ms <= self.hold_from_ms:
            raise ValueError(
                f"hold_to_ms must be later than hold_from_ms = {self.hold_from_ms}, "
                f"got {self.hold_to_ms}"
            )
        return self


class HoldInterval(NamedTuple):
    """From where to where."""

    from_ms: float
    to_ms: float

    @property
    def from_s(self) -> float:
        """Start. [s]"""
        return self.from_ms * 1e-3

    @property
    def to_s(self) -> float:
        """End. [s]"""
        return self.to_ms * 1e-3

    def whole(self, ends_ticks: NDArray[np.int64], length: int, tick_s: float) -> NDArray[np.bool_]:
        """Return which intervals of `length` ticks, given their (T,) last ticks, lie inside."""
        low, high = self.from_s / tick_s - SLACK, self.to_s / tick_s + SLACK
        return np.asarray((ends_ticks - length >= low) & (ends_ticks <= high))


def hold_of(params: MetricsParams, end_ms: float) -> HoldInterval:
    """Return the hold interval of a run that ends at `end_ms`."""
    to_ms = end_ms if params.hold_to_ms is None else min(params.hold_to_ms, end_ms)
    return HoldInterval(params.hold_from_ms, to_ms)
