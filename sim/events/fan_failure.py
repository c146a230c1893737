"""A fan that fails: the air at the bench warms, and with it what temperature moves."""

from typing import Annotated, Any, Literal, Protocol, runtime_checkable

import numpy as np

from sim.events.when import Happening, RunEventParams, span_of
from sim.foundations.errors import ScenarioError
from sim.foundations.params import NonNegative, between
from sim.foundations.ports import Array, Disturbance, EventSite, Faults


class FanFailureParams(RunEventParams):
    """A fan that stands still for a while.

    The air goes towards a higher temperature with one time constant, and back once the fan turns.
    What it does to mirrors, drives and camera is what the scenario's thermal disturbances do in
    warmer air: they have the bodies, their lags and their coefficients.

    Valid for a scenario with such a disturbance; temperatures add up, since bodies and coefficients
    are linear.
    """

    kind: Literal["fan_failure"]
    rise_k: Annotated[float, between(-200.0, 200.0)]
    """How much warmer the air becomes in the end. [K]"""
    air_tau_s: NonNegative = 0.0
    """Time constant of the air; 0: at once. [s]"""


@runtime_checkable
class InAir(Protocol):
    """A disturbance that says what it does in air of another temperature."""

    def in_air(self, ambient: Any) -> Disturbance[Any]:
        """Return the same bodies in air of which only a rise is known."""
        ...


class FanAir:
    """Air that is warmer for a while; bodies in it, in closed form."""

    def __init__(self, rise_k: float, air_tau_s: float, from_s: float, to_s: float) -> None:
        self._rise_k, self._air_tau_s = rise_k, air_tau_s
        self._from_s, self._to_s = from_s, to_s

    def lagged_k(self, time_s: Array, tau_s: float) -> Array:
        """Return a body's rise in temperature at the given times. [K]"""
        warmed = self._settled(np.asarray(time_s) - self._from_s, tau_s)
        cooled = self._settled(np.asarray(time_s) - self._to_s, tau_s)
        return self._rise_k * (warmed - cooled)

    def warnings(self, run_s: float) -> tuple[str, ...]:
        """Return nothing: the event says when it begins."""
        return ()

    def _settled(self, since_s: Array, tau_s: float) -> Array:
        """Return what a body has done of a unit step, through the air's lag and its own."""
        late = np.maximum(since_s, 0.0)
        slow, quick = max(tau_s, self._air_tau_s), min(tau_s, self._air_tau_s)
        if slow == 0.0:
            return np.where(since_s >= 0.0, 1.0, 0.0)
        if quick == 0.0:
            return np.asarray(-np.expm1(-late / slow))
        if slow - quick < 1e-6 * slow:
            return np.asarray(1.0 - (1.0 + late / slow) * np.exp(-late / slow))
        left = slow * np.exp(-late / slow) - quick * np.exp(-late / quick)
        return np.asarray(1.0 - left / (slow - quick))


class FanFailure(Happening):
    """A fan that fails, by way of the thermal disturbances of the scenario."""

    Params = FanFailureParams

    def __init__(self, params: FanFailureParams, site: EventSite) -> None:
        """Put the scenario's thermal bodies into the warmer air.

        Raises
        ------
        ScenarioError
            If the scenario says of nothing what temperature does to it.
        """
        span = span_of(params, site.clock)
        everyone = np.ones(len(site.mirror_ids), bool)
        super().__init__(f"fan failed, air up by {params.rise_k:g} K", span, site, everyone)
        air = FanAir(params.rise_k, params.air_tau_s, span.from_s, span.to_s)
        warm = [each for each in site.disturbances if isinstance(each, InAir)]
        if not warm:
            raise ScenarioError(
                "a fan failure needs a thermal disturbance in the scenario, which says what "
                "temperature does to mirrors, drives and camera; there is none"
            )
        self.surroundings = tuple(each.in_air(air) for each in warm)

    def faults(self, frame: int) -> Faults:
        """Return nothing: it acts through the surroundings."""
        return Faults()
