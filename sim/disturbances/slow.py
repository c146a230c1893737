"""Drift that only ever goes one way: dielectric charging and ageing of the rest angle.

Each mirror and axis has an amplitude or rate of its own, normally distributed about zero and fixed
by the seed; the course of time is the same for all.
"""

from typing import Annotated, Literal, Self

import numpy as np
from numpy.typing import ArrayLike
from pydantic import Field, model_validator

from sim.params import Block, NonNegative, Positive
from sim.ports import Array, Effects, Site
from sim.rng import normals

HOUR_S = 3600.0


def stretched_exponential(time_s: ArrayLike, tau_s: float, beta: float) -> Array:
    """Return 1 - exp(-(t/tau)^beta), from zero at t = 0 towards one.

    References
    ----------
    .. [1] R. Kohlrausch, Annalen der Physik 167 (1854) 179.
    """
    return -np.expm1(-((np.asarray(time_s, dtype=float) / tau_s) ** beta))


class ChargingParams(Block):
    """Charge that creeps into dielectrics after the bias is switched on."""

    kind: Literal["charging"]
    amplitude_urad: NonNegative
    """Standard deviation over mirrors, per axis, of the final shift. [urad]"""
    tau_s: Positive
    """Time scale of the stretched exponential. [s]"""
    beta: Annotated[float, Field(gt=0, le=1)]
    """Its exponent; 1 is a plain exponential. [-]"""
    at_age_s: NonNegative
    """Time since the bias was switched on, at the start of the run. [s]"""
    zeroed_at_age_s: NonNegative
    """Age at which the rest angle was last calibrated out, not after the run's start. [s]"""

    @model_validator(mode="after")
    def _check_order(self) -> Self:
        if self.zeroed_at_age_s > self.at_age_s:
            raise ValueError(
                f"zeroed_at_age_s must not exceed at_age_s, got {self.zeroed_at_age_s} "
                f"and {self.at_age_s}"
            )
        return self


class Charging:
    """Stretched-exponential shift of the rest angle since the last calibration."""

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
        self._clock = site.clock
        self._amplitude_rad = 1e-6 * params.amplitude_urad * normals(site.key, 0, site.mirror_ids)

    def initial_state(self) -> None:
        """Return nothing: the shift follows from the time alone."""
        return None

    def advance(self, state: None, first_frame: int, n_frames: int) -> tuple[None, Effects]:
        """Return the rest angle over the block."""
        p = self.params
        age_s = p.at_age_s + self._clock.frame_times_s(first_frame, n_frames)
        course = stretched_exponential(age_s, p.tau_s, p.beta) - stretched_exponential(
            p.zeroed_at_age_s, p.tau_s, p.beta
        )
        return None, Effects(rest_rad=course[:, None, None] * self._amplitude_rad)


class AgeingParams(Block):
    """Slow change in proportion to time."""

    kind: Literal["ageing"]
    rate_urad_per_1000_h: NonNegative
    """Standard deviation over mirrors, per axis, of the rate. [urad per 1000 h]"""
    since_calibration_h: NonNegative
    """Time from the last calibration to the start of the run. [h]"""


class Ageing:
    """Rest angle that moves off steadily since the last calibration."""

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
        self._clock = site.clock
        rate_rad_s = 1e-6 * params.rate_urad_per_1000_h / (1000.0 * HOUR_S)
        self._rate_rad_s = rate_rad_s * normals(site.key, 0, site.mirror_ids)

    def initial_state(self) -> None:
        """Return nothing: the shift follows from the time alone."""
        return None

    def advance(self, state: None, first_frame: int, n_frames: int) -> tuple[None, Effects]:
        """Return the rest angle over the block."""
        time_s = self._clock.frame_times_s(first_frame, n_frames)
        age_s = HOUR_S * self.params.since_calibration_h + time_s
        return None, Effects(rest_rad=age_s[:, None, None] * self._rate_rad_s)
