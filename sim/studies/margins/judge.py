"""What gains are worth: margins, settling and predicted loss of the whole population."""

from collections.abc import Mapping
from typing import Any, Final, NamedTuple

import numpy as np

from controllers import CONTROLLERS, SHAPERS
from controllers.analysis.linear_loop import (
    Loop,
    answer,
    axis_gain,
    close,
    frequency_grid,
    growth,
    largest_singular_value,
    loop_gain,
    sensitivity,
)
from controllers.analysis.linearise import linearise
from controllers.analysis.margins import margins
from sim.assembly.build import Built
from sim.assembly.plug_ins import made, plug_in
from sim.errors import ScenarioError
from sim.ports import Array
from sim.results.metrics import mirror_name
from sim.studies.margins.plant import plant_belief, plant_of
from sim.studies.margins.predict import Prediction, predict
from sim.studies.margins.spectra import Spectra, spectra_of

BANDS: Final = 120
GRID: Final = 260
"""Coarse grids for the search; the chosen point is checked on fine ones."""
TRANSIENT_FRAMES: Final = 400
SETTLING_SHARE: Final = 0.9
"""Share of the scenario's limit on settling that is aimed at, because noise adds to it. [-]"""
OWN: Final = {"measurement noise", "DAC steps", "amplifier noise"}
"""Contributors that are the loop's own instruments."""


class Demands(NamedTuple):
    """What every mirror must keep."""

    ms: float
    """Largest Ms of both axes together. [-]"""
    gain_margin_db: float
    """[dB]"""
    settling_ms: float | None
    """Longest predicted settling; None: no demand. [ms]"""
    settling_weight: float = 0.0
    """What a millisecond of the slowest settling is worth; 0: the loss alone counts. [dB/ms]"""

    def cost_db(self, candidate: "Candidate") -> float:
        """Return what is made least: loss and weighted settling. [dB]"""
        if not self.settling_weight:
            return candidate.loss_db
        return candidate.loss_db + self.settling_weight * candidate.settling_ms


class Candidate(NamedTuple):
    """One set of gains and what it is worth."""

    settings: dict[str, Any]
    """The whole controller table."""
    stable: bool
    ms: float
    """Largest over the population. [-]"""
    ms_mirror: str
    gain_margin_db: float
    """Smallest over the population; infinite if there is none. [dB]"""
    gain_mirror: str
    settling_ms: float
    """Slowest predicted settling of the population. [ms]"""
    settling_mirror: str
    noise_rad: float
    """Radial rms that noise and steps of the loop's own instruments leave. [rad]"""
    disturbed_rad: float
    """Radial rms that disturbances leave. [rad]"""
    jitter_rad: float
    """Both together. [rad]"""
    loss_db: float
    """Predicted mean excess loss, what is left of the move's error included. [dB]"""
    meets: bool


class Bench:
    """Evaluates gains against one scenario; everything that does not depend on them is kept."""

    def __init__(self, built: Built, demands: Demands) -> None:
        self.built, self.demands = built, demands
        self.plant, self.belief = plant_of(built), plant_belief(built)
        self.spectra: Spectra = spectra_of(built, BANDS)
        self.kind = str(built.resolved.controller["kind"])
        self._plug_in = plug_in(CONTROLLERS, built.resolved.controller, "controller")
        self._error, self._path_s, self._hold_frame = _move(built)

    @property
    def part(self) -> Any:
        """The class of the controller."""
        return self._plug_in.part

    def controller(self, settings: Mapping[str, Any]) -> Any:
        """Return the controller that a table asks for.

        Raises
        ------
        ScenarioError
            If it refuses the settings.
        """
        return made(self._plug_in.with_settings(settings), self.belief)

    def loop(self, settings: Mapping[str, Any]) -> Loop:
        """Return the loops with a controller of these settings."""
        controller = self.controller(settings)
        try:
            return Loop(linearise(controller, len(self.plant.mix)), self.plant)
        except ValueError as exc:
            raise ScenarioError(f"controller: {exc}") from exc

    def judge(
        self, settings: Mapping[str, Any], slack: float = 0.0, n_grid: int = GRID
    ) -> Candidate:
        """Return what a set of gains is worth; `slack` tightens the margins."""
        loop = self.loop(settings)
        mirrors = self.built.parts.mirrors
        grid = frequency_grid(loop, n_grid)
        whole = sensitivity(loop_gain(loop, grid))
        ms = largest_singular_value(whole).max(axis=0)
        gain = np.nan_to_num(margins(grid, axis_gain(whole)).gain, nan=np.inf).min(axis=-1)
        closed = close(loop)
        stable = bool((growth(closed) < 1.0).all())
        settling_s, left = np.full(len(mirrors), np.inf), np.zeros((len(mirrors), 2))
        prediction: Prediction | None = None
        if stable:
            settling_s, left = self._transient(closed)
            prediction = predict(self.built, loop, self.spectra)
        own = np.array([n in OWN for n in prediction.names]) if prediction else np.zeros(0, bool)
        jitter = prediction.jitter_rad if prediction else np.zeros(0)
        demands = self.demands
        gain_db = 20 * np.log10(gain)
        meets = (
            stable
            and ms.max() <= demands.ms * (1 - slack)
            and gain_db.min() >= demands.gain_margin_db * (1 + slack)
            and (demands.settling_ms is None or 1e3 * settling_s.max() <= demands.settling_ms)
        )
        ports = self.built.resolved.switch.geometry.ports_per_side

        def name(at: np.intp) -> str:
            return mirror_name(int(mirrors[at]), ports)

        return Candidate(
            settings=dict(settings),
            stable=stable,
            ms=float(ms.max()) if stable else np.inf,
            ms_mirror=name(ms.argmax()),
            gain_margin_db=float(gain_db.min()) if stable else -np.inf,
            gain_mirror=name(gain.argmin()),
            settling_ms=1e3 * float(settling_s.max()),
            settling_mirror=name(settling_s.argmax()),
            noise_rad=float(np.sqrt((jitter[own] ** 2).sum())) if prediction else np.inf,
            disturbed_rad=float(np.sqrt((jitter[~own] ** 2).sum())) if prediction else np.inf,
            jitter_rad=prediction.total_rad if prediction else np.inf,
            loss_db=prediction.total_db + self._left_db(left) if prediction else np.inf,
            meets=bool(meets),
        )

    def _transient(self, closed: Any) -> tuple[Array, Array]:
        """Settling (M,) [s] after the last command, and mean square left in the hold interval."""
        steps = np.broadcast_to(self._error, (TRANSIENT_FRAMES, *self._error.shape))
        error = answer(closed, np.ascontiguousarray(steps))
        out = np.hypot(error[..., 0], error[..., 1]) > self.built.parts.tolerance_rad
        last = np.where(out.any(axis=0), len(out) - out[::-1].argmax(axis=0), 0)
        settling_s = self._path_s + last * self.plant.frame_s
        settling_s = np.where(out[-1], np.inf, settling_s)
        held = error[min(self._hold_frame, TRANSIENT_FRAMES - 1) :]
        return np.asarray(settling_s), (held**2).mean(axis=0)

    def _left_db(self, square_rad2: Array) -> float:
        epoch = self.built.parts.epochs[-1]
        if not len(epoch.pairs):
            return 0.0
        errors = square_rad2[epoch.pairs].reshape(len(epoch.pairs), 4)
        return float((errors * np.einsum("cii->ci", epoch.form_db)).sum(axis=-1).mean())


def _move(built: Built) -> tuple[Array, float, int]:
    """Error (M, 2) that calibration and coupling leave after the last command, path length [s], and
    frames from the path's end to the hold interval.

    Without a command it is the error of the first aims, there when the run starts.
    """
    parts, scenario = built.parts, built.resolved
    last = parts.epochs[-1]
    before = parts.epochs[-2].aim_rad if len(parts.epochs) > 1 else np.zeros_like(last.aim_rad)
    move = last.aim_rad - before
    ratio = 1.0 / parts.population.calibration_ratio
    cross = np.array(scenario.mirror.cross_axis)
    error = (ratio - 1.0) * move + cross * (ratio * move)[:, ::-1]
    path_s = 0.0
    if len(parts.epochs) > 1:
        shaper = made(plug_in(SHAPERS, scenario.shaping, "shaping"), plant_belief(built))
        ticks = shaper.path(before, last.aim_rad)
        path_s = len(ticks) * parts.clock.tick_s
    since_s = 1e-3 * scenario.metrics.hold_from_ms - last.start_s - path_s
    return error, path_s, max(round(since_s / parts.clock.frame_s), 0)


def demands_of(
    built: Built,
    ms: float = 1.7,
    gain_margin_db: float = 6.0,
    settling_ms: float | None = None,
    settling_weight: float = 0.0,
) -> Demands:
    """Return the demands; settling, if not given, is `SETTLING_SHARE` of the scenario's limit."""
    limit = built.resolved.limits.settling_max_ms
    if settling_ms is None and limit is not None:
        settling_ms = SETTLING_SHARE * limit
    return Demands(ms, gain_margin_db, settling_ms, settling_weight)
