"""Ambient temperature, through the lag of bench and camera, into tilt, gain and resonance."""

from copy import copy
from typing import Annotated, Literal, Self

import numpy as np
from pydantic import Field

from sim.disturbances.ambient import (
    Ambient,
    ClimateProfile,
    CsvProfile,
    DailyProfile,
    RampProfile,
    StepProfile,
    ambient_of,
)
from sim.disturbances.by_time import ByTime
from sim.foundations.errors import ScenarioError
from sim.foundations.params import Block, NonNegative, PairXY, between
from sim.foundations.ports import Array, Effects, Site

PLACES = 2001
"""Times at which a profile is looked at."""
REFERENCE_K = 293.15
"""Taken for the reference temperature where absolute zero counts: 20 degC."""
HOTTEST_K = 500.0
LARGEST_CHANGE = 0.3


class ThermalParams(Block):
    """An ambient profile, two bodies that follow it, and what their temperature does.

    Valid for air above absolute zero and below 500 K over the reference, and while gain and
    resonance change by less than 30 %: they are lines through the reference, which further out lead
    to zero and below.
    """

    kind: Literal["thermal"]
    ambient: Annotated[
        RampProfile | StepProfile | DailyProfile | ClimateProfile | CsvProfile,
        Field(discriminator="shape")
    ]
    """Ambient temperature above the reference at which everything was aligned. [K]"""
    bench_tau_s: NonNegative
    """Time constant of the bench with the mirrors; 0 follows at once. [s]"""
    sensor_tau_s: NonNegative
    """Time constant of the camera's mount; 0 follows at once. [s]"""
    tilt_urad_per_k: PairXY = (0.0, 0.0)
    """Change of every mirror's rest angle with the bench's temperature, (x, y). [urad/K]"""
    gain_ppm_per_k: Annotated[float, between(-1e6, 1e6)] = 0.0
    """Relative change of the drive's gain with the bench's temperature. [ppm/K]"""
    resonance_ppm_per_k: Annotated[float, between(-1e6, 1e6)] = 0.0
    """Relative change of the mirrors' resonance with the bench's temperature. [ppm/K]"""
    sensor_urad_per_k: PairXY = (0.0, 0.0)
    """Shift of the camera's frame, as mirror tilt, with its mount's temperature. [urad/K]"""


class Thermal(ByTime):
    """Two first-order bodies in the ambient air.

    Both are at the air's temperature when the profile starts: with the run, or with the first row
    of a file that starts earlier; a daily swing has always been going on. Effects are in
    proportion to temperature and the same for all mirrors. Each body has one temperature:
    gradients inside it, which bend benches too, are left out.
    """

    Params = ThermalParams

    def __init__(self, params: ThermalParams, site: Site) -> None:
        """Place the profile in the run.

        Parameters
        ----------
        params : ThermalParams
            Profile, bodies and effects.
        site : Site
            The run.

        Raises
        ------
        ProfileError
            If a CSV profile cannot be used as declared.
        """
        self.params = params
        self._clock = site.clock
        self._n_mirrors = len(site.mirror_ids)
        self._ambient: Ambient = ambient_of(params.ambient, site)
        run_s = site.clock.frame_s * site.clock.n_frames
        self.warnings: tuple[str, ...] = self._ambient.warnings(run_s)
        self._check_validity(run_s)

    def in_air(self, ambient: Ambient) -> Self:
        """Return the same bodies in other air; bodies and coefficients are linear, so effects add.

        Raises
        ------
        ScenarioError
            If that air leads out of what the coefficients hold for.
        """
        other = copy(self)
        other._ambient = ambient
        other.warnings = ()
        other._check_validity(self._clock.frame_s * self._clock.n_frames)
        return other

    @property
    def longest_step_s(self) -> float:
        """Longest step of slow time that does not miss a swing of the air. [s]"""
        return self._ambient.longest_step_s

    def changes_s(self, until_s: float) -> Array:
        """Return when the air begins to change at once, until a time. [s]"""
        return self._ambient.changes_s(until_s)

    def _check_validity(self, run_s: float) -> None:
        """Refuse temperatures at which there is no air, or at which a line leads below zero."""
        time_s = np.linspace(0.0, run_s, PLACES)
        air_k = self._ambient.lagged_k(time_s, 0.0)
        low, high = float(air_k.min()), float(air_k.max())
        if low <= -REFERENCE_K or high > HOTTEST_K:
            raise ScenarioError(
                f"ambient: the air must stay between {-REFERENCE_K:g} K (absolute zero below a "
                f"reference of 20 degC) and {HOTTEST_K:g} K of its reference "
                f"(it reaches {low if low <= -REFERENCE_K else high:.4g} K)"
            )
        bench_k = self._ambient.lagged_k(time_s, self.params.bench_tau_s)
        for key in ("gain_ppm_per_k", "resonance_ppm_per_k"):
            change = 1e-6 * getattr(self.params, key) * bench_k
            worst = float(change[np.abs(change).argmax()])
            if abs(worst) > LARGEST_CHANGE:
                raise ScenarioError(
                    f"{key}: a change in proportion to temperature holds up to "
                    f"{100 * LARGEST_CHANGE:g} %, and this one reaches {100 * worst:.3g} % "
                    f"(got {getattr(self.params, key):g})"
                )

    def _effects(self, time_s: Array) -> Effects:
        p = self.params
        bench_k = self._ambient.lagged_k(time_s, p.bench_tau_s)
        rest = sensor = gain = resonance = None
        if any(p.tilt_urad_per_k):
            tilt = 1e-6 * bench_k[:, None] * np.array(p.tilt_urad_per_k)
            rest = np.repeat(tilt[:, None, :], self._n_mirrors, axis=1)
        if any(p.sensor_urad_per_k):
            sensor_k: Array = self._ambient.lagged_k(time_s, p.sensor_tau_s)
            sensor = 1e-6 * sensor_k[:, None] * np.array(p.sensor_urad_per_k)
        if p.gain_ppm_per_k:
            gain = 1e-6 * p.gain_ppm_per_k * bench_k
        if p.resonance_ppm_per_k:
            resonance = 1e-6 * p.resonance_ppm_per_k * bench_k
        return Effects(
            rest_rad=rest,
            sensor_rad=sensor,
            gain=gain,
            resonance=resonance,
            temperature_k=bench_k,
        )
