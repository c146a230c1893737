"""Gains held over the ranges of [uncertainty]: what was looked at, and what came nearest."""

from collections.abc import Mapping
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.assembly.build import Built
from sim.foundations.ports import Array
from sim.results.metrics import mirror_name
from sim.studies.margins.demands import DEMANDED
from sim.studies.margins.judge import GainJudge, JudgedMirrors
from sim.studies.margins.settling import LEVELS, slowest_interval
from sim.studies.margins.uncertain import Box, altered
from sim.studies.margins.worst import ROWS, Looked


class Robust(NamedTuple):
    """The last look at the ranges of [uncertainty], under the chosen gains."""

    looked: Looked
    box: Box
    taken: tuple[str, ...]
    """Switches that the search for gains was given, each the worst of a look, in words: figures
    name them by number, switch 1 the first."""
    kept: bool
    """Whether no demand is missed at anything that was looked at."""

    @property
    def words(self) -> str:
        """Say what was looked at, and what came nearest to missing a demand."""
        worst = max(self.looked.worst, key=lambda w: w.excess)
        noun, by = DEMANDED[worst.demand][0], abs(100 * worst.excess)
        ports = self.box.switches[0].resolved.switch.geometry.ports_per_side
        number = int(self.box.switches[0].parts.mirrors[worst.place[0]])
        who = f"mirror {mirror_name(number, ports)}, " if len(worst.place) == 1 else ""
        where = f"{who}{worst.label(self.box)}"
        said = (
            f"kept at all of them; nearest is {noun}, by {by:.1f} %"
            if self.kept
            else f"NOT kept: {noun} is missed by {by:.1f} %"
        )
        return f"Over [uncertainty] ({self.looked.words}): {said} ({where})."


class SettlingUnder:
    """Predicted settling under gains and a shaping, for `look`."""

    def __init__(self, judge: GainJudge, settings: Mapping[str, Any], shaping: Mapping[str, Any]):
        self._judge, self._settings, self._shaping = judge, settings, shaping

    def each(self, built: Built) -> Array:
        """Return the median settling (M,) of every mirror of a switch. [ms]"""
        levels_s = self._judge.levels_on(JudgedMirrors(built), self._settings, self._shaping)
        return np.asarray(1e3 * levels_s[LEVELS.index(0.5)])

    def slowest(self, built: Built, place: NDArray[np.intp], points: Array) -> Array:
        """Return settling (P,) of the slowest of some mirrors, changed as points say. [ms]"""
        m, found = max(len(place), 1), np.zeros(len(points))
        at_once = max(ROWS // m, 1)
        for first in range(0, len(points) if len(place) else 0, at_once):
            some = points[first : first + at_once]
            world = JudgedMirrors(built, "", altered(built, place, some))
            levels_s = self._judge.levels_on(world, self._settings, self._shaping)
            for i in range(len(some)):
                slowest_s, _ = slowest_interval(levels_s[:, i * m : (i + 1) * m])
                found[first + i] = 1e3 * slowest_s[1]
        return found
