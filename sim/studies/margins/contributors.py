"""Prediction against simulation, contributor by contributor, on common random numbers."""

from collections.abc import Callable, Iterable
from dataclasses import replace
from functools import partial
from typing import Any, NamedTuple

import numpy as np

from sim.assembly.build import Built, build
from sim.assembly.stand_ins import StandIn
from sim.foundations.ports import Array
from sim.loop.simulate import simulate
from sim.results.hold import hold_of
from sim.scenario.model import Scenario
from sim.studies.margins.loops import MarginsStudy
from sim.studies.margins.margins import study
from sim.studies.margins.predict import MOVES, TOGETHER, Band, Prediction, agreement_band, residual
from sim.studies.margins.spectra import ROUNDING, STEPS, Spectra, spectra_of

FINE_BITS = 24
LEAST_SHARE = 1e-2
"""Of the total: what moves leave below it has no ratio."""
INSTANTS = 5
"""At most so many are sampled of each frame."""


class ContributorRow(NamedTuple):
    """One contributor, or all of them."""

    name: str
    predicted_urad: float
    simulated_urad: float | None
    """None if it was not simulated on its own. [urad]"""
    counts: bool = True
    """Whether a ratio means something: it is large enough in the total, and no covariance."""

    @property
    def ratio(self) -> float | None:
        """Simulated over predicted. [-]"""
        if self.simulated_urad is None or not self.predicted_urad > 0 or not self.counts:
            return None
        return self.simulated_urad / self.predicted_urad


class PredictionCheck(NamedTuple):
    """Everything that the page shows."""

    study: MarginsStudy
    spectra: Spectra
    prediction: Prediction
    rows: tuple[ContributorRow, ...]
    """Contributors; those of one disturbance together, since it is left out as a whole."""
    total: ContributorRow
    band: Band


def compare_contributors(
    built: Built, *, each: bool = True, progress: Callable[[str], None] | None = None
) -> PredictionCheck:
    """Predict the residual, run the scenario, and run it again without each contributor.

    All runs draw the same random numbers, so the difference of two error histories is what the
    left-out contributor does; its rms about the mean over the hold interval is compared with the
    prediction. The steps of the DAC amplify any small difference until two runs round differently,
    so they are left out first, and everything else is left out of a run with a fine DAC. What the
    mean squares with and without them differ by beyond theirs is what they have in common with the
    rest: twice a covariance, shown as its root with its sign. What moves
    leave is all that a run without any of the others shows.

    Parameters
    ----------
    built : Built
        The scenario. Its loops must be stable.
    each : bool
        Whether to run it without each contributor too; otherwise only the total is compared.
    progress : callable, optional
        Called with what is simulated next.

    Returns
    -------
    PredictionCheck

    Raises
    ------
    ScenarioError
        If the controller is not linear in small signals.
    """
    result = study(built, (), with_steps=False)
    spectra = spectra_of(built)
    prediction = residual(built, result.loop, spectra)
    tell = progress or (lambda what: None)
    tell("everything")
    traces = built.resolved.traces.model_dump() | {"sample_hz": _sample_hz(built)}
    sampled = built.resolved.replace(traces=traces)
    whole = _errors(build(sampled))
    fine = sampled.replace(drive=built.resolved.drive.model_dump() | {"bits": FINE_BITS})
    rows: list[ContributorRow] = []
    before = whole
    for name, without in _without(fine).items():
        mine = [i for i, n in enumerate(prediction.names) if n.split(":")[0] == name]
        predicted = 1e6 * float(np.sqrt((prediction.jitter_rad[mine] ** 2).sum()))
        simulated = None
        if each and without is not None:
            tell(f"without {name}")
            after = _errors(without())
            simulated = 1e6 * _rms(before - after)
            if name == STEPS:
                before = after
        rows.append(ContributorRow(name, predicted, simulated))
        if name == STEPS and TOGETHER in prediction.names:
            common = 1e6 * float(prediction.jitter_rad[prediction.names.index(TOGETHER)])
            root = None
            if simulated is not None:
                seen = 1e12 * (_rms(whole) ** 2 - _rms(before) ** 2) - simulated**2
                root = float(np.sign(seen) * np.sqrt(abs(seen)))
            rows.append(ContributorRow(TOGETHER, common, root, counts=False))
    moves = None
    if each:
        tell("moves alone")
        moves = 1e6 * _rms(_errors(_silenced(_quiet(fine), range(len(fine.disturbances)))))
    left_urad = 1e6 * float(prediction.jitter_rad[-1])
    counts = left_urad > LEAST_SHARE * 1e6 * prediction.total_rad
    rows.append(ContributorRow(MOVES, left_urad, moves, counts))
    total = ContributorRow("all together", 1e6 * prediction.total_rad, 1e6 * _rms(whole))
    band = agreement_band(built, result.loop, spectra, prediction)
    return PredictionCheck(result, spectra, prediction, tuple(rows), total, band)


def _sample_hz(built: Built) -> float:
    """Several instants of each frame, so that what rings between the frames is in the error."""
    n = built.parts.clock.ticks_per_frame
    times = max(k for k in range(1, INSTANTS + 1) if n % k == 0)
    return float(times / built.parts.clock.frame_s)


def _without(scenario: Scenario) -> dict[str, Callable[[], Built] | None]:
    """A run with a fine DAC, then that without each of its contributors, by name."""
    left: dict[str, Callable[[], Built] | None] = {
        STEPS: partial(build, scenario),
        "measurement noise": partial(build, _quiet(scenario, drive=False)),
        "amplifier noise": partial(build, _quiet(scenario, camera=False)),
    }
    if "arithmetic" in scenario.controller:
        plain = {k: v for k, v in scenario.controller.items() if k != "arithmetic"}
        alone = partial(build, scenario.replace(controller=plain))
        # Two runs whose readings are words differ by flips of the last bit, which drown it.
        left[ROUNDING] = None if "arithmetic" in scenario.estimator else alone
    for i, tree in enumerate(scenario.disturbances):
        left[f"{i + 1}. {tree['kind']}"] = partial(_silenced, scenario, (i,))
    return left


def _quiet(scenario: Scenario, *, camera: bool = True, drive: bool = True) -> Scenario:
    """The scenario without noise of its camera, its amplifiers, or both."""
    changes: dict[str, Any] = {}
    if camera:
        changes["camera"] = scenario.camera.model_dump() | {"noise": "none"}
    if drive:
        changes["drive"] = scenario.drive.model_dump() | {"noise_uv_per_rthz": 0.0}
    return scenario.replace(**changes)


def _silenced(scenario: Scenario, which: Iterable[int]) -> Built:
    """A run in which disturbances do nothing, where they stand: their places name the draws."""
    built = build(scenario)
    disturbances: list[Any] = list(built.parts.disturbances)
    for i in which:
        disturbances[i] = StandIn()
    return built._replace(parts=replace(built.parts, disturbances=tuple(disturbances)))


def _errors(built: Built) -> Array:
    """Pointing error (T, M, 2) over the hold interval, at the sampling instants. [rad]"""
    traces = simulate(built.parts).traces
    hold = hold_of(built.resolved.metrics, float(traces.time_s[-1] * 1e3))
    held = hold.whole(traces.end_ticks, traces.interval_ticks, traces.tick_s)
    return np.asarray(traces.error_rad[held], dtype=float)


def _rms(error: Array) -> float:
    """Radial rms (over time and mirrors) about each mirror's mean."""
    return float(np.sqrt(((error - error.mean(axis=0)) ** 2).sum(axis=-1).mean()))
