"""What mirrors and camera mount lose with the years: creep, and softening of springs and drive."""

from typing import Literal

import numpy as np

from sim.disturbances.by_time import ByTime
from sim.disturbances.slow import HOUR_S, RestCourse
from sim.foundations.params import Block, NonNegative, Positive
from sim.foundations.ports import Array, Effects, Site

YEAR_H = 8766.0
"""A year of 365.25 days. [h]"""


class CreepParams(Block):
    """Logarithmic creep since first power: rate log10(1 + age / onset).

    Hinges and glued joints commonly creep so (common practice, no source); it never ends, and most
    of it happens early. Valid for ages up to some thousand times what was measured.
    """

    kind: Literal["creep"]
    of: Literal["hinges", "camera"]
    """Each mirror's rest angle, which the loop corrects, or the camera's frame against the fibres,
    which it cannot see and follows. [-]"""
    rate_urad_per_decade: NonNegative
    """Standard deviation of the rate, per axis, over mirrors or over built switches. [urad]"""
    onset_h: Positive
    """Age at which the logarithm sets in. [h]"""
    uncorrected_h: NonNegative = 0.0
    """How long before the start of the run nothing had corrected the shift; 0: the loop, or peaking
    of the camera's frame, has until then. Not longer than the age of the switch. [h]"""


class Creep(ByTime):
    """Creep of hinges, or of the camera's mount."""

    Params = CreepParams

    def __init__(self, params: CreepParams, site: Site) -> None:
        """Draw each mirror's rate, or that of the camera's frame.

        Parameters
        ----------
        params : CreepParams
            The creep.
        site : Site
            The run.
        """
        self.params = params
        self.warnings: tuple[str, ...] = ()
        self._clock = site.clock
        if params.of == "camera":
            site = site._replace(mirror_ids=np.zeros(1, dtype=np.int64))
        self._course = RestCourse(site, 1e-6 * params.rate_urad_per_decade, params.uncorrected_h)

    def _effects(self, time_s: Array) -> Effects:
        course = self._course.rest_at_rad(time_s, self._moved)
        if self.params.of == "camera":
            return Effects(sensor_rad=course[:, 0])
        return Effects(rest_rad=course)

    def _moved(self, age_s: float, corrected_s: float, time_s: Array) -> Array:
        onset_s = HOUR_S * self.params.onset_h
        now = np.log10(1.0 + (age_s + time_s) / onset_s)
        return now - float(np.log10(1.0 + corrected_s / onset_s))


class SofteningParams(Block):
    """Springs and drive that change in proportion to the age of the switch, alike for all mirrors.

    Valid for changes of a few per cent over the life.
    """

    kind: Literal["softening"]
    resonance_ppm_per_year: float = 0.0
    """Relative change of the resonance, from first power on. [ppm per year]"""
    gain_ppm_per_year: float = 0.0
    """Relative change of the drive's gain, from first power on. [ppm per year]"""


class Softening(ByTime):
    """Resonance and gain that change with age."""

    Params = SofteningParams

    def __init__(self, params: SofteningParams, site: Site) -> None:
        """Place the change in the run.

        Parameters
        ----------
        params : SofteningParams
            The change.
        site : Site
            The run.
        """
        self.params = params
        self.warnings: tuple[str, ...] = ()
        self._clock = site.clock
        self._age_s = HOUR_S * site.age_h

    def _effects(self, time_s: Array) -> Effects:
        years = (self._age_s + time_s) / (YEAR_H * HOUR_S)
        p = self.params
        return Effects(
            gain=1e-6 * p.gain_ppm_per_year * years if p.gain_ppm_per_year else None,
            resonance=1e-6 * p.resonance_ppm_per_year * years if p.resonance_ppm_per_year else None,
        )
