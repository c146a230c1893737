"""Heat of the light itself: absorbed data power warms each mirror that carries a beam."""

from typing import Annotated, Literal

import numpy as np
from pydantic import Field

from sim.disturbances.by_time import ByTime
from sim.foundations.errors import ScenarioError
from sim.foundations.params import Block, NonNegative, PairXY, Positive
from sim.foundations.ports import Array, Beams, Effects, Site

HOTTEST_K = 200.0
"""Warmer than this, coatings and hinges are not what they were."""


class LightHeatParams(Block):
    """Data power that mirrors absorb, one thermal time constant, and what their warmth does.

    Valid for a mirror that is warm throughout, up to 200 K over its frame, and effects in
    proportion to temperature.
    """

    kind: Literal["light_heat"]
    power_mw: NonNegative
    """Optical power of each beam at the mirrors. [mW]"""
    absorbed_pct: Annotated[float, Field(ge=0, le=100)]
    """Share that one mirror absorbs. [%]"""
    resistance_k_per_mw: NonNegative
    """Thermal resistance from the mirror through its hinges to the frame. [K/mW]"""
    tau_ms: Positive
    """Thermal time constant of the mirror. [ms]"""
    dark_ms: NonNegative = 0.0
    """How long a move leaves the mirrors of the outputs without light. [ms]"""
    tilt_urad_per_k: PairXY = (0.0, 0.0)
    """Change of a warm mirror's rest angle, (x, y). [urad/K]"""
    resonance_ppm_per_k: float = 0.0
    """Relative change of the resonance, the mean over mirrors for all. [ppm/K]"""
    curvature_per_m_per_k: float = 0.0
    """Change of curvature. Losses are those of mirrors warmed by steady light; after a move a run
    says by how much they differ until mirrors are warm. [1/(m K)]"""

    @property
    def steady_k(self) -> float:
        """Temperature of a mirror in steady light over its frame. [K]"""
        return 0.01 * self.absorbed_pct * self.power_mw * self.resistance_k_per_mw


class LightHeat(ByTime):
    """First-order warming by the light; closed form, so blocks and steps can be any."""

    Params = LightHeatParams

    def __init__(self, params: LightHeatParams, site: Site) -> None:
        """Place the light in the run.

        Parameters
        ----------
        params : LightHeatParams
            Power, mirror and effects.
        site : Site
            The run, with the mirrors that carry light.

        Raises
        ------
        ScenarioError
            If mirrors get hotter than the model holds for.
        """
        if params.steady_k > HOTTEST_K:
            raise ScenarioError(
                f"light_heat: mirrors must stay below {HOTTEST_K:g} K over their frame (they reach "
                f"{params.steady_k:.4g} K with absorbed_pct = {params.absorbed_pct:g})"
            )
        self.params = params
        self.warnings: tuple[str, ...] = ()
        self._clock = site.clock
        beams = site.beams
        if beams is None:
            m = len(site.mirror_ids)
            beams = Beams(np.zeros(1), np.ones((1, m), bool), np.zeros((1, m), bool))
        self._from_s, self._power = _switched(beams, 1e-3 * params.dark_ms)

    @staticmethod
    def warm_curvature_per_m(params: LightHeatParams) -> float:
        """Return the change of every mirror's curvature in steady light. [1/m]"""
        return params.curvature_per_m_per_k * params.steady_k

    def slow(self, state: None, time_s: Array) -> tuple[None, Effects]:
        """Return the effects at each time: in slow time, of light that has been on for long."""
        warm = np.broadcast_to(self._power[0], (len(time_s), self._power.shape[1]))
        return None, self._of(self.params.steady_k * warm)

    def warmth_k(self, time_s: Array) -> Array:
        """Return temperatures (T, M) over the frame; light was always on before the run. [K]"""
        tau_s = 1e-3 * self.params.tau_ms
        at, out = self._power[0].astype(float), np.empty((len(time_s), self._power.shape[1]))
        ends = np.append(self._from_s[1:], np.inf)
        for begin_s, end_s, power in zip(self._from_s, ends, self._power, strict=True):
            own = (time_s >= begin_s) & (time_s < end_s)
            left = np.exp(-(time_s[own] - begin_s) / tau_s)[:, None]
            out[own] = power + (at - power) * left
            at = power + (at - power) * np.exp(-(end_s - begin_s) / tau_s)
        return self.params.steady_k * out

    def _effects(self, time_s: Array) -> Effects:
        return self._of(self.warmth_k(time_s))

    def _of(self, warmth_k: Array) -> Effects:
        p = self.params
        return Effects(
            rest_rad=1e-6 * warmth_k[..., None] * np.array(p.tilt_urad_per_k)
            if any(p.tilt_urad_per_k)
            else None,
            resonance=1e-6 * p.resonance_ppm_per_k * warmth_k.mean(axis=1)
            if p.resonance_ppm_per_k
            else None,
        )


def _switched(beams: Beams, dark_s: float) -> tuple[Array, Array]:
    """Return when light changes (K,) and which mirrors (K, M) have it from then on."""
    times, states = [0.0], [beams.on[0]]
    for at_s, on, arrives in zip(beams.start_s[1:], beams.on[1:], beams.arrives[1:], strict=True):
        if dark_s > 0:
            times.append(float(at_s))
            states.append(on & ~arrives)
        times.append(float(at_s) + dark_s)
        states.append(on)
    order = np.argsort(times, kind="stable")
    return np.array(times)[order], np.array(states)[order]
