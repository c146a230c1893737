"""Ambient temperature over time, and exactly what a first-order body makes of it."""

import math
from pathlib import Path
from typing import Annotated, Any, Literal, Protocol, Self

import numpy as np
from pydantic import Field, model_validator

from sim.foundations.errors import ProfileError
from sim.foundations.params import Block, NonNegative, Positive, between
from sim.foundations.ports import Array, Site
from sim.foundations.rng import uniforms
from sim.mechanics.acceleration_csv import read_table

MINUTE_S = 60.0
HOUR_S = 3600.0
YEAR_D = 365.25
CENTURY = 100.0
STEPS_A_SWING = 8
"""Steps of slow time in a cycle, at least."""
SHORTEST_STEP_S = 600.0
"""Cycles that would ask for shorter steps are sampled and not followed. [s]"""
FAILURES = 7
"""Names the draws of failures among those of a disturbance."""


class RampProfile(Block):
    """Ambient that holds, climbs or falls steadily, and holds again.

    Valid up to 1000 K a minute, beyond which air does not follow; the temperatures it leads to
    are checked with the bodies that follow it.
    """

    shape: Literal["ramp"]
    rate_k_per_min: Annotated[float, between(-1e3, 1e3)]
    """Rate between the two times. [K/min]"""
    from_s: NonNegative
    """When it begins to change. [s]"""
    to_s: Positive
    """When it stops changing. [s]"""

    @model_validator(mode="after")
    def _check_order(self) -> Self:
        if self.to_s <= self.from_s:
            raise ValueError(f"to_s must be after from_s, got {self.to_s} and {self.from_s}")
        return self


class StepProfile(Block):
    """Ambient that jumps once, as when a door opens.

    Valid up to 500 K: what it leads to is checked with the bodies that follow it.
    """

    shape: Literal["step"]
    change_k: Annotated[float, between(-500.0, 500.0)]
    """Height of the step. [K]"""
    at_s: NonNegative
    """When it happens. [s]"""


class DailyProfile(Block):
    """Ambient that swings as a sine; the bodies have long settled into the swing.

    Valid up to 250 K and for cycles of 0.01 h to ten years: a sine is one harmonic of a day,
    without weather.
    """

    shape: Literal["daily"]
    amplitude_k: Annotated[float, between(0.0, 250.0)]
    """Half of the swing from lowest to highest. [K]"""
    period_h: Annotated[float, between(0.01, 1e5)] = 24.0
    """Length of the cycle. [h]"""
    start_hour_h: Annotated[float, between(-1e5, 1e5)]
    """Time since the upward crossing of the mean, at the start of the run. [h]"""


class ClimateProfile(Block):
    """Air of an equipment hall over years: seasons, days, and failures of its cooling.

    Phases count from the first power of the switch, so a run at any age meets its own season and
    hour. Cooling fails at random, as often in every season, and the air rises at once until it is
    repaired. Failures belong to the built switch: they are drawn from the population's seed.

    Valid for a hall whose year and day are sines and whose failures do not depend on the
    season; the temperatures it leads to are checked with the bodies that follow it.
    """

    shape: Literal["climate"]
    mean_k: Annotated[float, between(-500.0, 500.0)] = 0.0
    """Mean over the year. [K]"""
    seasonal_k: NonNegative = 0.0
    """Half of the swing over a year. [K]"""
    daily_k: NonNegative = 0.0
    """Half of the swing over a day. [K]"""
    start_day: Annotated[float, between(-1e5, 1e5)] = 0.0
    """Days since the upward crossing of the yearly mean, at first power. [d]"""
    start_hour_h: Annotated[float, between(-1e5, 1e5)] = 0.0
    """Hours since the upward crossing of the daily mean, at first power. [h]"""
    failures_per_year: NonNegative = 0.0
    """How often the cooling fails. [1/year]"""
    failure_rise_k: NonNegative = 0.0
    """How much warmer the air then is. [K]"""
    repair_h: Positive = 8.0
    """How long a failure lasts. [h]"""


class CsvProfile(Block):
    """Ambient read from a file, straight between its rows; the ends hold.

    Valid for files in kelvin or degrees Celsius, which both have steps of a kelvin; what is
    between rows is a straight line.
    """

    shape: Literal["csv"]
    file: Annotated[str, Field(min_length=1)]
    """CSV with a header row; a relative name counts from the scenario's folder. [-]"""
    time_column: str
    """Column of time; the run starts at time zero of the file. [s]"""
    temperature_column: str
    """Column of temperature, in kelvin or degrees Celsius. [K or degC]"""
    reference: Annotated[float, between(-273.15, 1e3)]
    """Temperature at which everything was aligned, in the unit of the column. [K or degC]"""


class Ambient(Protocol):
    """Temperature of the air, above reference, and of a body in it."""

    def lagged_k(self, time_s: Array, tau_s: float) -> Array:
        """Return a body's temperature (K,) at times (K,); tau 0 is the air itself. [K]"""
        ...

    def warnings(self, run_s: float) -> tuple[str, ...]:
        """Return what the user should know, for a run of this length."""
        ...

    @property
    def longest_step_s(self) -> float:
        """Longest step of slow time that does not miss a swing. [s]"""
        ...

    def changes_s(self, until_s: float) -> Array:
        """Return the times until then at which the air begins to change at once. [s]"""
        ...


class Straight:
    """Ambient through points, straight between them; two points at one time are a jump.

    A body T' = (ambient - T)/tau is at the first point's temperature until the first point. From
    there each straight piece is solved in closed form, so times and blocks can be any.
    """

    def __init__(self, time_s: Array, ambient_k: Array, *, name: str = "") -> None:
        """Keep the points.

        Parameters
        ----------
        time_s, ambient_k : (N,) ndarray
            Times, not falling [s], and ambient there [K].
        name : str
            File that they are from; with one, a run outside its times is warned of.
        """
        self._time_s = time_s
        self._ambient_k = ambient_k
        self._name = name
        length_s = np.diff(time_s)
        slope = np.zeros(len(time_s))
        np.divide(np.diff(ambient_k), length_s, out=slope[:-1], where=length_s > 0)
        self._slope_k_s = slope

    def lagged_k(self, time_s: Array, tau_s: float) -> Array:
        """Return a body's temperature at the given times."""
        body_k = self._body_at_points(tau_s)
        piece = np.clip(
            np.searchsorted(self._time_s, time_s, side="right") - 1, 0, len(self._time_s) - 1
        )
        since_s = np.maximum(time_s - self._time_s[piece], 0.0)
        return self._along(piece, since_s, body_k[piece], tau_s)

    def warnings(self, run_s: float) -> tuple[str, ...]:
        """Return a line if the run goes beyond the file."""
        first, last = float(self._time_s[0]), float(self._time_s[-1])
        if not self._name or (first <= 0 and last >= run_s * (1 - 1e-12)):
            return ()
        return (
            f"{self._name}: times go from {first:g} to {last:g} s, the run from 0 to {run_s:g} s; "
            "the end values are held",
        )

    @property
    def longest_step_s(self) -> float:
        """Return the mean time between the rows of a file; infinity without one: nothing swings."""
        if not self._name or len(self._time_s) < 2:
            return math.inf
        rows_s = float(self._time_s[-1] - self._time_s[0]) / (len(self._time_s) - 1)
        return max(rows_s, SHORTEST_STEP_S)

    def changes_s(self, until_s: float) -> Array:
        """Return the corners of a ramp or step; a file has one at each row, which are not named."""
        return np.zeros(0) if self._name else self._time_s[self._time_s < until_s]

    def _body_at_points(self, tau_s: float) -> Array:
        body = np.empty_like(self._ambient_k)
        body[0] = self._ambient_k[0]
        for point in range(1, len(body)):
            since_s = self._time_s[point] - self._time_s[point - 1]
            body[point] = self._along(point - 1, since_s, body[point - 1], tau_s)
        return body

    def _along(self, piece: Any, since_s: Any, body_k: Any, tau_s: float) -> Any:
        """Return the body's temperature some time into a piece, from that at its start."""
        slope, ambient_k = self._slope_k_s[piece], self._ambient_k[piece]
        if tau_s == 0:
            return ambient_k + slope * since_s
        settled = -np.expm1(-since_s / tau_s)
        return body_k + (ambient_k - body_k) * settled + slope * (since_s - tau_s * settled)


class Swing:
    """Ambient that swings as a sine for ever; the body swings less, and later."""

    def __init__(self, profile: DailyProfile) -> None:
        """Keep the swing."""
        self._amplitude_k = profile.amplitude_k
        self._rate_rad_s = 2.0 * np.pi / (HOUR_S * profile.period_h)
        self._start_s = HOUR_S * profile.start_hour_h

    def lagged_k(self, time_s: Array, tau_s: float) -> Array:
        """Return a body's temperature at the given times."""
        turn = self._rate_rad_s * tau_s
        angle = self._rate_rad_s * (time_s + self._start_s)
        return self._amplitude_k / np.hypot(1.0, turn) * np.sin(angle - np.arctan(turn))

    def warnings(self, run_s: float) -> tuple[str, ...]:
        """Return nothing: the swing has no end."""
        return ()

    @property
    def longest_step_s(self) -> float:
        """Return a part of the cycle."""
        if self._amplitude_k == 0:
            return math.inf
        return max(2.0 * math.pi / self._rate_rad_s / STEPS_A_SWING, SHORTEST_STEP_S)

    def changes_s(self, until_s: float) -> Array:
        """Return nothing: a swing never begins."""
        return np.zeros(0)


class Climate:
    """Two swings that have always been going on, and pulses at drawn times."""

    def __init__(self, profile: ClimateProfile, site: Site) -> None:
        """Keep the swings and draw the failures of a century."""
        p = profile
        hour_h = p.start_hour_h + site.age_h
        self._mean_k = p.mean_k
        self._swings = (
            Swing(_swing(p.seasonal_k, 24.0 * YEAR_D, 24.0 * p.start_day + site.age_h)),
            Swing(_swing(p.daily_k, 24.0, hour_h)),
        )
        self._rise_k, self._repair_s = p.failure_rise_k, HOUR_S * p.repair_h
        count = math.ceil(CENTURY * p.failures_per_year)
        key = site.key if site.population_key is None else site.population_key
        gaps = -np.log(uniforms(key, np.arange(count), FAILURES)[:, 0])
        years = np.cumsum(gaps) / max(p.failures_per_year, 1e-12)
        self._begin_s = HOUR_S * (24.0 * YEAR_D * years - site.age_h)

    def lagged_k(self, time_s: Array, tau_s: float) -> Array:
        """Return a body's temperature at the given times."""
        total = self._mean_k + sum(swing.lagged_k(time_s, tau_s) for swing in self._swings)
        first, last = float(np.min(time_s)), float(np.max(time_s))
        reach_s = self._repair_s + 50.0 * tau_s
        for begin_s in self._begin_s[(self._begin_s < last) & (self._begin_s > first - reach_s)]:
            since = np.asarray(time_s) - begin_s
            total = total + self._rise_k * (
                _settled(since, tau_s) - _settled(since - self._repair_s, tau_s)
            )
        return np.asarray(total)

    def warnings(self, run_s: float) -> tuple[str, ...]:
        """Return nothing: the climate has no end."""
        return ()

    @property
    def longest_step_s(self) -> float:
        """Return that of the shortest of both swings."""
        return min(swing.longest_step_s for swing in self._swings)

    def changes_s(self, until_s: float) -> Array:
        """Return when the cooling fails and when it works again."""
        if self._rise_k == 0:
            return np.zeros(0)
        both = np.concatenate([self._begin_s, self._begin_s + self._repair_s])
        return both[(both > 0.0) & (both < until_s)]


def _swing(amplitude_k: float, period_h: float, start_h: float) -> DailyProfile:
    return DailyProfile(
        shape="daily", amplitude_k=amplitude_k, period_h=period_h, start_hour_h=start_h
    )


def _settled(since_s: Array, tau_s: float) -> Array:
    """Return what a body has done of a unit step at time zero. [-]"""
    late = np.maximum(since_s, 0.0)
    return np.where(since_s >= 0.0, 1.0, 0.0) if tau_s == 0 else -np.expm1(-late / tau_s)


Profile = RampProfile | StepProfile | DailyProfile | ClimateProfile | CsvProfile


def ambient_of(profile: Profile, site: Site) -> Ambient:
    """Return the ambient that a profile block asks for.

    Parameters
    ----------
    profile : RampProfile, StepProfile, DailyProfile, ClimateProfile or CsvProfile
        The block.
    site : Site
        The run: its age, its seeds, and where relative file names count from.

    Returns
    -------
    Ambient

    Raises
    ------
    ProfileError
        If a file cannot be used as declared.
    """
    if isinstance(profile, RampProfile):
        rise_k = profile.rate_k_per_min / MINUTE_S * (profile.to_s - profile.from_s)
        return Straight(np.array([0.0, profile.from_s, profile.to_s]), np.array([0.0, 0.0, rise_k]))
    if isinstance(profile, StepProfile):
        return Straight(
            np.array([0.0, profile.at_s, profile.at_s]), np.array([0.0, 0.0, profile.change_k])
        )
    if isinstance(profile, DailyProfile):
        return Swing(profile)
    if isinstance(profile, ClimateProfile):
        return Climate(profile, site)
    return _read(Path(site.folder) / profile.file, profile)


def _read(path: Path, profile: CsvProfile) -> Straight:
    table = read_table(path, [profile.time_column, profile.temperature_column])
    time_s, temperature = table.values.T
    if len(time_s) < 2:
        raise ProfileError(f"{path}: at least two rows are needed, got {len(time_s)}")
    steps = np.diff(time_s)
    if (steps <= 0).any():
        at = int(np.argmax(steps <= 0)) + 1
        raise ProfileError(
            f"{path}: line {table.lines[at]}: time must rise from row to row, "
            f"got {time_s[at]:.9g} s after {time_s[at - 1]:.9g} s"
        )
    return Straight(time_s, temperature - profile.reference, name=str(path))
