"""Drift that only ever goes one way: dielectric charging and ageing of the rest angle.

Each mirror and axis has an amplitude or rate of its own, normally distributed about zero and fixed
by the seed; the course of time is the same for all.
"""

from collections.abc import Callable
from typing import Annotated, Literal

import numpy as np
from numpy.typing import ArrayLike

from sim.foundations.errors import ScenarioError
from sim.foundations.params import Block, between
from sim.foundations.ports import Array, Effects, Site
from sim.foundations.rng import normals

HOUR_S = 3600.0
Hours = Annotated[float, between(0.0, 1e6)]
Moved = Callable[[float, float, Array], Array]
"""(age at the start, age at the last correction, times in the run) [s] -> R, for unit size."""


def stretched_exponential(time_s: ArrayLike, tau_s: float, beta: float) -> Array:
    """Return 1 - exp(-(t/tau)^beta), from zero at t = 0 towards one.

    References
    ----------
    .. [1] R. Kohlrausch, Annalen der Physik 167 (1854) 179.
    """
    return -np.expm1(-((np.asarray(time_s, dtype=float) / tau_s) ** beta))


class ChargingParams(Block):
    """Charge that creeps into dielectrics from the first power on.

    Valid up to 0.1 rad, beyond any mirror's travel, for time scales of 1 ms to 30 years, and
    exponents from 0.05: with smaller ones half of the shift is over before any measurement
    begins.
    """

    kind: Literal["charging"]
    amplitude_urad: Annotated[float, between(0.0, 1e5)]
    """Standard deviation over mirrors, per axis, of the final shift. [urad]"""
    tau_s: Annotated[float, between(1e-3, 1e9)]
    """Time scale of the stretched exponential. [s]"""
    beta: Annotated[float, between(0.05, 1.0)]
    """Its exponent; 1 is a plain exponential. [-]"""
    uncorrected_h: Hours = 0.0
    """How long before the start of the run nothing had corrected the shift; 0: the loop has until
    then. Not longer than the age of the switch. [h]"""
    follows_bias: bool = False
    """Whether the amplitude is that of the whole drive, and each mirror's shift goes with the drive
    that it has had; if not, all mirrors are as under one steady bias. [-]"""


class AgeingParams(Block):
    """Slow change in proportion to time.

    Valid while the rate stays what it is, and up to 0.1 rad in 1000 h, beyond which a mirror
    wears out rather than ages.
    """

    kind: Literal["ageing"]
    rate_urad_per_1000_h: Annotated[float, between(0.0, 1e5)]
    """Standard deviation over mirrors, per axis, of the rate. [urad per 1000 h]"""
    uncorrected_h: Hours = 0.0
    """How long before the start of the run nothing had corrected the shift; 0: the loop has until
    then. Not longer than the age of the switch. [h]"""


class RestCourse:
    """Rest angles that have moved by R(age) since first power, less what is corrected.

    What the loop had corrected by the start of the run, R(age_h - uncorrected_h), is taken off
    here: it is in the drive's command of a switch that has run so far, and the run counts
    corrections from zero. The rest angle then starts at zero and grows as R does at that age.
    """

    def __init__(self, site: Site, size_rad: float, uncorrected_h: float) -> None:
        """Draw each mirror's own size of the change, which is of the switch and not of the run."""
        if uncorrected_h > site.age_h:
            raise ScenarioError(
                f"uncorrected_h: must not exceed the age of the switch, age_h = {site.age_h:g} "
                f"(got {uncorrected_h:g})"
            )
        key = site.key if site.population_key is None else site.population_key
        self._clock = site.clock
        self._age_s = HOUR_S * site.age_h
        self._corrected_s = HOUR_S * (site.age_h - uncorrected_h)
        self.size_rad: Array = size_rad * normals(key, 0, site.mirror_ids)

    def rest_rad(self, first_frame: int, n_frames: int, moved: Moved) -> Array:
        """Return the rest angles (F + 1, M, 2); `moved` gives R for ages, per unit size. [rad]"""
        return self.rest_at_rad(self._clock.frame_times_s(first_frame, n_frames), moved)

    def rest_at_rad(self, time_s: Array, moved: Moved) -> Array:
        """Return the rest angles (T, M, 2) at any times of the run. [rad]"""
        course = moved(self._age_s, self._corrected_s, time_s)
        return np.asarray(course[:, None, None] * self.size_rad)


class Charging:
    """Stretched-exponential shift of the rest angle."""

    Params = ChargingParams

    def __init__(self, params: ChargingParams, site: Site) -> None:
        """Draw each mirror's amplitude.

        Parameters
        ----------
        params : ChargingParams
            The charging.
        site : Site
            The run.
        """
        self.params = params
        self.warnings: tuple[str, ...] = ()
        self._course = RestCourse(site, 1e-6 * params.amplitude_urad, params.uncorrected_h)
        self.bias_size_rad = self._course.size_rad
        if params.follows_bias:
            if site.drive_share is None:
                raise ScenarioError("follows_bias: this switch does not say what drives it")
            self._course.size_rad = self.bias_size_rad * site.drive_share
        else:
            self.bias_size_rad = np.zeros_like(self.bias_size_rad)

    def initial_state(self) -> None:
        """Return nothing: the shift follows from the time alone."""
        return None

    def advance(self, state: None, first_frame: int, n_frames: int) -> tuple[None, Effects]:
        """Return the rest angle over the block."""
        return None, Effects(rest_rad=self._course.rest_rad(first_frame, n_frames, self._moved))

    def slow_state(self) -> None:
        """Return nothing."""
        return None

    def slow(self, state: None, time_s: Array) -> tuple[None, Effects]:
        """Return the rest angle at each time, but for what follows the bias (`step_response`)."""
        if self.params.follows_bias:
            return None, Effects()
        return None, Effects(rest_rad=self._course.rest_at_rad(time_s, self._moved))

    def step_response(self, time_s: Array) -> Array:
        """Return the response to a unit step of the bias. [-]"""
        late = np.maximum(time_s, 0.0)
        return stretched_exponential(late, self.params.tau_s, self.params.beta)

    def _moved(self, age_s: float, corrected_s: float, time_s: Array) -> Array:
        tau_s, beta = self.params.tau_s, self.params.beta
        now = stretched_exponential(age_s + time_s, tau_s, beta)
        return now - stretched_exponential(corrected_s, tau_s, beta)


class Ageing:
    """Rest angle that moves off steadily."""

    Params = AgeingParams

    def __init__(self, params: AgeingParams, site: Site) -> None:
        """Draw each mirror's rate.

        Parameters
        ----------
        params : AgeingParams
            The ageing.
        site : Site
            The run.
        """
        self.params = params
        self.warnings: tuple[str, ...] = ()
        rate_rad_s = 1e-6 * params.rate_urad_per_1000_h / (1000.0 * HOUR_S)
        self._course = RestCourse(site, rate_rad_s, params.uncorrected_h)

    def initial_state(self) -> None:
        """Return nothing: the shift follows from the time alone."""
        return None

    def advance(self, state: None, first_frame: int, n_frames: int) -> tuple[None, Effects]:
        """Return the rest angle over the block."""
        return None, Effects(rest_rad=self._course.rest_rad(first_frame, n_frames, _in_proportion))

    def slow_state(self) -> None:
        """Return nothing."""
        return None

    def slow(self, state: None, time_s: Array) -> tuple[None, Effects]:
        """Return the rest angle at each time."""
        return None, Effects(rest_rad=self._course.rest_at_rad(time_s, _in_proportion))


def _in_proportion(age_s: float, corrected_s: float, time_s: Array) -> Array:
    return (age_s - corrected_s) + time_s
