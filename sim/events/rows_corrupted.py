"""Rows of a camera that arrive damaged, or not at all."""

from typing import Annotated, Literal

import numpy as np
from pydantic import Field

from sim.events.chance import FramesParams, Strikes, camera_words
from sim.events.when import Happening, span_of
from sim.foundations.errors import ScenarioError
from sim.foundations.files.text import counted
from sim.foundations.params import Count
from sim.foundations.ports import BadRows, EventSite, Faults
from sim.foundations.rng import uniforms

Row = Annotated[int, Field(ge=0, le=1_000_000)]


class RowsCorruptedParams(FramesParams):
    """Rows whose check sum fails, or that are missing.

    Every window with such a row is flagged and not read; the correction of its mirror is held.

    Valid for damage that is noticed: a check sum (CRC) of n bits misses one in 2^n.
    """

    kind: Literal["rows_corrupted"]
    rows: tuple[Row, Row] | None = None
    """First and last row of the sensor; none: a part of the sensor drawn for each frame. [px]"""
    count: Count = 1
    """How many rows in a row, if their place is drawn. [px]"""


class RowsCorrupted(Happening):
    """A link that damages rows."""

    Params = RowsCorruptedParams

    def __init__(self, params: RowsCorruptedParams, site: EventSite) -> None:
        """Draw which frames are damaged.

        Raises
        ------
        ScenarioError
            If the sensor has no such rows.
        """
        self.params = params
        self._key, self._rows = site.key, site.sensor_rows
        last = params.count - 1 if params.rows is None else params.rows[1]
        if last >= site.sensor_rows:
            raise ScenarioError(
                f"rows: the sensor has {counted(site.sensor_rows, 'row')} (got {last + 1})"
            )
        if params.rows is not None and params.rows[1] < params.rows[0]:
            raise ScenarioError(
                f"rows: must go from the first to the last row (got {list(params.rows)})"
            )
        self._strikes = Strikes(params, span_of(params, site.clock), site)
        self._numbers = {name: i for i, name in enumerate(site.cameras)}
        words = f"rows of {camera_words(params.camera)} damaged"
        super().__init__(words, self._strikes.span, site, self._strikes.mirrors)

    def faults(self, frame: int) -> Faults:
        """Return which rows of which sensors are damaged."""
        struck = self._strikes.struck(frame)
        if not struck.any():
            return Faults()
        found = tuple(
            BadRows(mirrors, self._span(frame, self._numbers[name]))
            for name, mirrors in self._strikes.cameras.items()
            if (mirrors & struck).any()
        )
        return Faults(bad_rows=found)

    def _span(self, frame: int, number: int) -> np.ndarray:
        if self.params.rows is not None:
            return np.array([self.params.rows], np.int64)
        free = self._rows - self.params.count + 1
        first = int(free * uniforms(self._key, frame, 9, number)[0])
        return np.array([[first, first + self.params.count - 1]], np.int64)
