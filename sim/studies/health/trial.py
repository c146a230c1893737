"""One run with the watch in it: faults on some mirrors, and what the watch made of all of them."""

from dataclasses import replace
from types import ModuleType
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.assembly.build import build
from sim.foundations.errors import ScenarioError
from sim.foundations.files.text import counted
from sim.foundations.ports import Sight, Watch
from sim.foundations.rng import Stream, uniforms
from sim.health.settings import HealthParams, TrialParams
from sim.kernels.threads import on_threads
from sim.loop.parts import Parts
from sim.loop.simulate import simulate
from sim.results.metrics import mirror_name
from sim.scenario.model import Scenario

STAGGER_MS = 17.0
"""Trials of different seeds begin this much apart, so that no block of the watch is always met in
the same place."""


class WatchedRun(NamedTuple):
    """What a watch made of M mirrors in one run of T frames."""

    evidence: NDArray[np.float32]
    """(T, M) how near each was to an alarm; 1 raises one."""
    kind: NDArray[np.uint8]
    """(T, M) FaultKind."""
    struck: NDArray[np.bool_]
    """(M,) mirrors that the trial's fault was put on."""
    from_frame: int
    """First frame of the fault."""
    frame_ms: float
    names: tuple[str, ...]
    """(M,) of the mirrors."""
    tilt_rad: NDArray[np.float64]
    """(M, 2) tilts that they are sent to, at the end of the run. [rad]"""
    scatter_rad: NDArray[np.float64]
    """(M, 2) standard deviation of their readings before the fault. [rad]"""
    off_rad: NDArray[np.float64]
    """(M,) what the fault's factor on the gain makes of those tilts; NaN: it does not act by the
    gain. [rad]"""
    asked: float | None
    """False alarms per mirror and 1000 h that the watch is set to, if it has such a setting."""


class _Noting:
    """A watch that keeps what it finds, frame by frame."""

    def __init__(self, watch: Watch[Any], frames: range) -> None:
        self.watch = watch
        self._frames = frames
        self.moments = np.zeros(3)
        self.evidence: list[NDArray[np.float32]] = []
        self.kind: list[NDArray[np.uint8]] = []

    def initial_state(self, n_mirrors: int) -> Any:
        return self.watch.initial_state(n_mirrors)

    def step(self, state: Any, sight: Sight) -> tuple[Any, Any]:
        state, found = self.watch.step(state, sight)
        if len(self.evidence) in self._frames:
            off = (sight.reading.tilt_rad - sight.setpoint.reference_rad)[..., None]
            seen = (sight.reading.status == 0)[:, None, None]
            powers = off ** np.arange(3)
            self.moments = self.moments + np.where(seen, powers, 0.0)
        if hasattr(found, "evidence") and hasattr(found, "kind"):
            self.evidence.append(np.asarray(found.evidence, np.float32))
            self.kind.append(np.asarray(found.kind, np.uint8))
        return state, found

    def forget(self, state: Any, which: NDArray[np.bool_]) -> Any:
        return self.watch.forget(state, which)

    def scatter_rad(self) -> NDArray[np.float64]:
        """Return the standard deviation of the readings about their mean, (M, 2). [rad]"""
        count, total, squares = np.moveaxis(self.moments, -1, 0)
        count = np.maximum(count, 1.0)
        return np.sqrt(np.maximum(squares / count - (total / count) ** 2, 0.0))


def watched(
    scenario: Scenario, trial: TrialParams | None, seed: int, *, mirrors: int, threads: int,
    kernels: ModuleType | None = None,
) -> WatchedRun:  # fmt: skip
    """Run the scenario with its watch, and with a fault if one is to be tried.

    Parameters
    ----------
    scenario : Scenario
        With a `[health]` block. What the switch does about alarms is left out.
    trial : TrialParams, optional
        The fault; none: all mirrors are healthy.
    seed : int
        Of everything that happens in the run; the switch stays the same.
    mirrors : int
        Number of mirrors that the fault is put on.
    threads : int
        Threads of the compiled kernels.
    kernels : module, optional
        As for `build`.

    Raises
    ------
    ScenarioError
        If the scenario has no watch, or the fault cannot be put on its mirrors.
    """
    health = watch_of(scenario)
    scenario = scenario.replace(
        population_seed=scenario.seeds.population, noise_seed=seed,
        health=health.replace(actions={}).model_dump(),
    )  # fmt: skip
    parts = build(scenario, kernels).parts
    names = [mirror_name(int(m), scenario.switch.geometry.ports_per_side) for m in parts.mirrors]
    struck, begins = np.zeros(len(names), bool), 0
    if trial is not None:
        if mirrors > len(names) // 2:
            raise ScenarioError(
                f"--mirrors: at most half of the {counted(len(names), 'mirror')} of the run, "
                f"faulty at once (got {mirrors})"
            )
        order = np.argsort(uniforms((seed, Stream.TRIALS), np.arange(len(names)))[:, 0])
        struck[order[:mirrors]] = True
        at_ms = health.trials_from_ms + STAGGER_MS * (seed % 16)
        event = trial.event | {
            "mirrors": [name for name, hit in zip(names, struck, strict=True) if hit],
            "at_ms": at_ms,
        }
        begins = int(np.ceil(1e-3 * at_ms / parts.clock.frame_s - 1e-6))
        if begins >= parts.clock.n_frames:
            raise ScenarioError(
                f"health.trials_from_ms: trials begin after the end of the run (got {at_ms:g})"
            )
        parts = build(scenario.replace(events=(*scenario.events, event)), kernels).parts
    assert parts.health is not None
    before = begins if trial is not None else parts.clock.n_frames
    noting = _Noting(parts.health.watch, range(before // 2, before))
    parts = replace(parts, health=parts.health._replace(watch=noting), pictures=())
    with on_threads(threads):
        simulate(parts)
    return WatchedRun(
        np.stack(noting.evidence), np.stack(noting.kind), struck, begins,
        1e3 * parts.clock.frame_s, tuple(names), parts.epochs[-1].aim_rad, noting.scatter_rad(),
        _by_gain(parts, trial), _asked(noting),
    )  # fmt: skip


def _asked(noting: _Noting) -> float | None:
    rate = getattr(getattr(noting.watch, "params", None), "false_alarms_per_mirror_1000h", None)
    return float(rate) if isinstance(rate, (int, float)) else None


def _by_gain(parts: Parts, trial: TrialParams | None) -> NDArray[np.float64]:
    """Return how far the fault's factor on the gain puts mirrors off their aims, (M,). [rad]"""
    gain = None if trial is None else parts.events[-1].faults(parts.clock.n_frames - 1).gain
    if gain is None:
        return np.full(len(parts.mirrors), np.nan)
    aim = parts.epochs[-1].aim_rad
    return np.asarray(np.linalg.norm((gain[-1].T - 1.0) * aim, axis=1))


def watch_of(scenario: Scenario) -> HealthParams:
    """Return what a scenario says of its watch.

    Raises
    ------
    ScenarioError
        If it has none, or nothing to try it with.
    """
    if scenario.health is None:
        raise ScenarioError("health: required, but missing: the scenario has no watch")
    if not scenario.health.trials:
        raise ScenarioError("health.trials: at least one fault is needed to try the watch with")
    return scenario.health
