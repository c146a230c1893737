"""What is fast at a present plant: the jitter of every mirror, from the analysis of its loop."""

from dataclasses import replace

import numpy as np

from controllers.analysis.linear_loop import Loop, close, growth, loop_gain, sensitivity
from controllers.analysis.linearise import linearise
from sim.assembly.build import Built, build
from sim.assembly.camera import layout_of, measurement_of
from sim.assembly.plug_ins import plug_in
from sim.estimators import ESTIMATORS
from sim.foundations.errors import ScenarioError
from sim.foundations.files.text import counted
from sim.foundations.ports import Array, SpotStatus
from sim.scenario.model import Scenario
from sim.studies.margins.plant import plant_of
from sim.studies.margins.predict import predict
from sim.studies.margins.spectra import spectra_of
from sim.studies.run.preview import still_status

LIGHT_STEP = 0.5
"""Ratio of neighbouring levels of light at which jitter is worked out; between them it is
interpolated in the logarithm."""
RESONANCE_STEP = 0.01
"""The same for the relative change of the resonance."""
GAIN_STEP = 0.02
"""The same for the relative change of the gain of the loops."""
NO_CHANGE = 0.05
"""Part of a step of resonance or gain that counts as no change: it alters jitter by less than the
half per cent by which the steps of the DAC scatter."""
LEAST_SHARE = 0.5
"""Share of still spots that must be readable; with fewer the loops are taken as lost. [-]"""
DARKEST = 20
STILL_HZ = 1e-6
BANDS = 120
"""Of the densities. With 400 the jitter of the demo differs by less than a per cent."""
ALL_S = 1e12
"""A hold interval over which nothing is slow. [s]"""


class FastJitter:
    """Variance of each mirror's tilt about its settled place, by light, resonance and gain.

    It is worked out where the plant has moved to, and kept; between such places it is interpolated.
    """

    def __init__(self, scenario: Scenario) -> None:
        """Keep the scenario; nothing is worked out yet.

        Parameters
        ----------
        scenario : Scenario
            Its disturbances are those that jitter: with a stated density.
        """
        self._first = build(scenario)
        self._loops: dict[tuple[int, int], Loop] = {}
        self._known: dict[tuple[int, int, int], Array] = {}
        self._built: dict[int, Built | None] = {}

    def least_light(self) -> float:
        """Return the share of the first light below which spots are lost. [-]"""
        level = 0
        while level <= DARKEST and self._at_light(level) is not None:
            level += 1
        if level == 0:
            raise ScenarioError(
                "estimator: still spots cannot be read at the first light, so there is no life to "
                "follow"
            )
        return float(LIGHT_STEP ** (level - 1))

    def variance_rad2(self, light: float, resonance: float, gain: float = 0.0) -> Array:
        """Return the variance (M, 2) of each axis. [rad^2]

        Parameters
        ----------
        light : float
            Share of the first light. [-]
        resonance : float
            Relative change of the resonance. [-]
        gain : float
            Relative change of the gain of the loops: of the drive's against what is believed. [-]
        """
        level = np.log(max(light, 1e-9)) / np.log(LIGHT_STEP)
        total: Array | float = 0.0
        for i, part_i in _neighbours(level, least=0):
            for j, part_j in _neighbours(resonance / RESONANCE_STEP):
                for k, part_k in _neighbours(gain / GAIN_STEP):
                    total = total + part_i * part_j * part_k * self._node(i, j, k)
        return np.asarray(np.exp(total))

    def _node(self, level: int, change: int, gain: int) -> Array:
        """Return the logarithm of the variance at a place."""
        key = (level, change, gain)
        if key not in self._known:
            built = self._at_light(level)
            if built is None:  # darker than can be read: the last that could be
                return self._node(level - 1, change, gain)
            changed = with_change(built, RESONANCE_STEP * change, GAIN_STEP * gain)
            self._known[key] = np.log(jitter_rad2(changed, self.loop(change, gain)))
        return self._known[key]

    def loop(self, change: int = 0, gain: int = 0) -> Loop:
        """Return the loops after so many steps of both; light does not alter them."""
        key = (change, gain)
        if key not in self._loops:
            built = with_change(self._first, RESONANCE_STEP * change, GAIN_STEP * gain)
            self._loops[key] = loop_of(built)
        return self._loops[key]

    def _at_light(self, level: int) -> Built | None:
        """Return the scenario at a level of light; None if its spots cannot be read."""
        if level not in self._built:
            built = with_light(self._first, LIGHT_STEP**level)
            self._built[level] = built if _readable(built) else None
        return self._built[level]


def _readable(built: Built) -> bool:
    return float((still_status(built) == SpotStatus.OK).mean()) >= LEAST_SHARE


def _neighbours(place: float, least: int | None = None) -> list[tuple[int, float]]:
    low = int(np.floor(place)) if least is None else max(int(np.floor(place)), least)
    part = min(max(place - low, 0.0), 1.0)
    if least is None and min(part, 1.0 - part) < NO_CHANGE:
        return [(low + round(part), 1.0)]
    return [(low, 1.0 - part), *([(low + 1, part)] if part > 0 else [])]


def with_light(built: Built, share: float) -> Built:
    """Return a built scenario whose spots have a share of their light."""
    scenario = built.resolved
    camera = scenario.camera.replace(signal_e=scenario.camera.signal_e * share)
    estimator = plug_in(ESTIMATORS, scenario.estimator, "estimator")
    measurement = measurement_of(
        camera, built.parts.mirrors, scenario.seeds, estimator, built.parts.kernels,
        layout_of(scenario),
    )  # fmt: skip
    return built._replace(
        parts=replace(built.parts, measurement=measurement),
        resolved=scenario.replace(camera=camera),
    )


def with_change(built: Built, resonance: float, gain: float) -> Built:
    """Return a built scenario whose mirrors' resonance and loops' gain have changed. [-]"""
    population = built.parts.population
    moved = population._replace(
        resonance_rad_s=population.resonance_rad_s * (1.0 + resonance),
        calibration_ratio=population.calibration_ratio / (1.0 + gain),
    )
    return built._replace(parts=replace(built.parts, population=moved))


def loop_of(built: Built) -> Loop:
    """Return the loops of a built scenario.

    Raises
    ------
    ScenarioError
        If the controller is not linear, or a loop is not stable.
    """
    try:
        loop = Loop(linearise(built.parts.controller, len(built.parts.mirrors)), plant_of(built))
    except ValueError as exc:
        raise ScenarioError(f"controller: {exc}") from exc
    unstable = growth(close(loop)) >= 1.0
    if unstable.any():
        raise ScenarioError(
            f"controller: not stable: {int(unstable.sum())} of {counted(len(unstable), 'loop')}, "
            "which "
            "do not settle between the steps of a life"
        )
    return loop


def settled(loop: Loop) -> tuple[Array, Array]:
    """Return what a settled loop leaves of a shift of the tilt, and follows of one of the reading.

    Returns
    -------
    left, followed : (M, 2, 2) ndarray
        Sensitivity and its complement at zero frequency. [-]
    """
    left = np.asarray(sensitivity(loop_gain(loop, np.array([STILL_HZ])))[0].real)
    left[np.abs(left) < 1e-4] = 0.0  # an integrator's, at a frequency that is not quite zero
    return left, np.eye(2) - left


def jitter_rad2(built: Built, loop: Loop) -> Array:
    """Return the variance (M, 2) of each axis that noise and fast disturbances leave. [rad^2]

    All of a density counts: in slow time a wander's slow part is a change that the loop takes out,
    and S takes it out here too.
    """
    spectra = spectra_of(built, BANDS)._replace(hold_s=ALL_S)
    return np.asarray(predict(built, loop, spectra).variance_rad2.sum(axis=0))
