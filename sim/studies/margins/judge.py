"""What gains are worth: margins, settling and predicted loss of the whole population."""

from collections.abc import Mapping
from typing import Any, Final, NamedTuple

import numpy as np

from controllers import CONTROLLERS
from controllers.analysis.linear_loop import (
    Loop,
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
from sim.studies.margins.settling import move_of, ringing_of, settle
from sim.studies.margins.spectra import Spectra, proof_sizes, spectra_of

BANDS: Final = 120
GRID: Final = 260
"""Coarse grids for the search; the chosen point is checked on fine ones."""
SETTLING_SHARE: Final = 0.9
"""Share of the scenario's limit on settling that is aimed at: the prediction has a band. [-]"""
OWN: Final = {"measurement noise", "DAC steps", "amplifier noise"}
"""Contributors that are the loop's own instruments."""


class Demands(NamedTuple):
    """What every mirror must keep."""

    ms: float
    """Largest Ms of both axes together. [-]"""
    gain_margin_db: float
    """[dB]"""
    phase_margin_deg: float
    """[deg]"""
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
    phase_margin_deg: float
    """Smallest over the population; infinite if there is none. [deg]"""
    phase_mirror: str
    settling_ms: float
    """Slowest predicted settling of the population. [ms]"""
    settling_mirror: str
    ringing_ms: float
    """What the shaped path and the ringing after it take without any correction. [ms]"""
    ringing_mirror: str
    noise_rad: float
    """Radial rms that noise and steps of the loop's own instruments leave. [rad]"""
    disturbed_rad: float
    """Radial rms that disturbances leave. [rad]"""
    jitter_rad: float
    """Both together. [rad]"""
    loss_db: float
    """Predicted mean excess loss, what is left of the move's error included. [dB]"""
    meets: bool


class GainJudge:
    """Evaluates gains against one scenario; everything that does not depend on them is kept."""

    def __init__(self, built: Built, demands: Demands) -> None:
        self.built, self.demands = built, demands
        self.plant, self.belief = plant_of(built), plant_belief(built)
        self.spectra: Spectra = spectra_of(built, BANDS)
        self._sizes_rad = proof_sizes(built)
        self.kind = str(built.resolved.controller["kind"])
        self._plug_in = plug_in(CONTROLLERS, built.resolved.controller, "controller")
        self.move = move_of(built)
        self.ringing_s = ringing_of(built, self.move)
        self._hold_frame = min(_hold_frame(built), len(self.move.error_rad) - 1)

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
            return Loop(linearise(controller, len(self.plant.mix), self._sizes_rad), self.plant)
        except ValueError as exc:
            raise ScenarioError(f"controller: {exc}") from exc

    def candidate(
        self, settings: Mapping[str, Any], slack: float = 0.0, n_grid: int = GRID
    ) -> Candidate:
        """Return what a set of gains is worth; `slack` tightens the margins."""
        loop = self.loop(settings)
        mirrors = self.built.parts.mirrors
        grid = frequency_grid(loop, n_grid)
        whole = sensitivity(loop_gain(loop, grid))
        ms = largest_singular_value(whole).max(axis=0)
        of_axes = margins(grid, axis_gain(whole))
        gain = np.nan_to_num(of_axes.gain, nan=np.inf).min(axis=-1)
        phase_deg = np.degrees(np.nan_to_num(of_axes.phase_rad, nan=np.inf)).min(axis=-1)
        closed = close(loop)
        stable = bool((growth(closed) < 1.0).all())
        settling_s, left = np.full(len(mirrors), np.inf), np.zeros((len(mirrors), 2))
        prediction: Prediction | None = None
        if stable:
            prediction = predict(self.built, loop, self.spectra)
            settled = settle(self.built, self.move, loop, prediction.variance_rad2.sum(axis=0))
            settling_s = settled.settling_s
            left = (settled.left_rad[self._hold_frame :] ** 2).mean(axis=0)
        own = np.array([n in OWN for n in prediction.names]) if prediction else np.zeros(0, bool)
        jitter = prediction.jitter_rad if prediction else np.zeros(0)
        demands = self.demands
        gain_db = 20 * np.log10(gain)
        meets = (
            stable
            and ms.max() <= demands.ms * (1 - slack)
            and gain_db.min() >= demands.gain_margin_db * (1 + slack)
            and phase_deg.min() >= demands.phase_margin_deg * (1 + slack)
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
            phase_margin_deg=float(phase_deg.min()) if stable else -np.inf,
            phase_mirror=name(phase_deg.argmin()),
            settling_ms=1e3 * float(settling_s.max()),
            settling_mirror=name(settling_s.argmax()),
            ringing_ms=1e3 * float(self.ringing_s.max()),
            ringing_mirror=name(self.ringing_s.argmax()),
            noise_rad=float(np.sqrt((jitter[own] ** 2).sum())) if prediction else np.inf,
            disturbed_rad=float(np.sqrt((jitter[~own] ** 2).sum())) if prediction else np.inf,
            jitter_rad=prediction.total_rad if prediction else np.inf,
            loss_db=prediction.total_db + self._left_db(left) if prediction else np.inf,
            meets=bool(meets),
        )

    def _left_db(self, square_rad2: Array) -> float:
        epoch = self.built.parts.epochs[-1]
        if not len(epoch.pairs):
            return 0.0
        errors = square_rad2[epoch.pairs].reshape(len(epoch.pairs), 4)
        return float((errors * np.einsum("cii->ci", epoch.form_db)).sum(axis=-1).mean())


def _hold_frame(built: Built) -> int:
    """Return the frames from the last command to the hold interval."""
    since_s = 1e-3 * built.resolved.metrics.hold_from_ms - built.parts.epochs[-1].start_s
    return max(round(since_s / built.parts.clock.frame_s), 0)


def demands_of(
    built: Built,
    ms: float | None = None,
    gain_margin_db: float | None = None,
    phase_margin_deg: float | None = None,
    settling_ms: float | None = None,
    settling_weight: float = 0.0,
) -> Demands:
    """Return the demands.

    Margins that are not given are those of the scenario's `[requirements]`; settling, if not given,
    is `SETTLING_SHARE` of the scenario's limit.
    """
    required = built.resolved.requirements
    if ms is None:
        ms = required.max_sensitivity
    if gain_margin_db is None:
        gain_margin_db = required.gain_margin_db
    if phase_margin_deg is None:
        phase_margin_deg = required.phase_margin_deg
    limit = built.resolved.limits.settling_max_ms
    if settling_ms is None and limit is not None:
        settling_ms = SETTLING_SHARE * limit
    return Demands(ms, gain_margin_db, phase_margin_deg, settling_ms, settling_weight)
