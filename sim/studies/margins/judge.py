"""What gains are worth: margins, settling and predicted loss of the whole population."""

from collections.abc import Mapping
from dataclasses import replace
from functools import partial
from typing import Any, Final, NamedTuple

import numpy as np

from controllers import CONTROLLERS
from controllers.analysis.linear_loop import Loop
from controllers.analysis.linearise import LinearController, linearise
from sim.assembly.build import Built, build
from sim.assembly.plug_ins import made, plug_in
from sim.foundations.errors import ScenarioError
from sim.foundations.ports import Array
from sim.results.metrics import mirror_name
from sim.studies.margins.candidate import Candidate, EachMirror
from sim.studies.margins.codes import WHITE
from sim.studies.margins.demands import Demands
from sim.studies.margins.figures import GRID, LoopFigures, controller_matrices, figures_of
from sim.studies.margins.move import Move, move_of, moved_of
from sim.studies.margins.plant import TrueMirrors, plant_belief, plant_of, present_mirrors
from sim.studies.margins.predict import TOGETHER, Prediction, predict, variance_at, with_moves
from sim.studies.margins.settling import (
    Left,
    Settled,
    followed,
    levels_of,
    ringing_of,
    settle,
    slowest_interval,
)
from sim.studies.margins.spectra import STEPS, Spectra, proof_sizes, spectra_of

BANDS: Final = 120
"""Frequency bands of the search."""
OWN: Final = {"measurement noise", STEPS, "amplifier noise", TOGETHER}
"""Contributors that are the loop's own instruments."""
Settings = Mapping[str, Any]


class JudgedMirrors:
    """Mirrors that gains are judged on: those of the described switch, or others in place."""

    def __init__(self, built: Built, label: str = "", mirrors: TrueMirrors | None = None) -> None:
        self.built, self.label = built, label
        self.mirrors = present_mirrors(built) if mirrors is None else mirrors
        self.plant = plant_of(built, self.mirrors)
        self._moves: dict[str, Move] = {}
        self._shaped: dict[str, Built] = {_key(built.resolved.shaping): built}

    def shaped(self, shaping: Settings) -> Built:
        """Return the switch with another command shaping.

        Raises
        ------
        ScenarioError
            If the shaper refuses its settings or the moves.
        """
        key = _key(shaping)
        if key not in self._shaped:
            other = build(self.built.resolved.replace(shaping=dict(shaping)))
            parts = replace(self.built.parts, reference=other.parts.reference)
            self._shaped[key] = other._replace(parts=parts)
        return self._shaped[key]

    def move(self, shaping: Settings) -> Move:
        """Return the last command's path on these mirrors."""
        key = _key(shaping)
        if key not in self._moves:
            self._moves[key] = move_of(self.shaped(shaping), self.mirrors)
        return self._moves[key]


class Beside(NamedTuple):
    """What gains are worth on other mirrors, a row each (R,); settling only where it is asked."""

    loops: LoopFigures
    settled: tuple[float, int] | None
    """Of the slowest, the median of what the noise makes of it [s], and its row."""


class GainJudge:
    """Evaluates gains against one scenario; everything that does not depend on them is kept."""

    def __init__(self, built: Built, demands: Demands) -> None:
        self.built, self.demands = built, demands
        self.belief = plant_belief(built)
        self.spectra: Spectra = spectra_of(built, BANDS)
        self._sizes_rad = proof_sizes(built)
        self.kind = str(built.resolved.controller["kind"])
        self._plug_in = plug_in(CONTROLLERS, built.resolved.controller, "controller")
        self.worlds = [JudgedMirrors(built)]
        """The described switch first, then those that must keep the demands too."""
        epoch = built.parts.epochs[-1]
        self.weight_db = np.zeros((len(built.parts.mirrors), 2))
        """(M, 2) excess loss that a squared error of a mirror adds to its connection. [dB/rad^2]"""
        if len(epoch.pairs):
            curvature = np.einsum("cii->ci", epoch.form_db).reshape(-1, 2, 2)
            np.add.at(self.weight_db, epoch.pairs, curvature)
        self._linear: dict[str, LinearController] = {}
        self._loops: dict[tuple[int, str, int], LoopFigures] = {}
        self._predictions: dict[str, Prediction] = {}
        self._ringing: dict[str, Array] = {}
        self._settled: dict[tuple[str, str], Settled] = {}
        self._elsewhere: dict[tuple[int, str, str], tuple[float, int]] = {}

    @property
    def part(self) -> Any:
        """The class of the controller."""
        return self._plug_in.part

    def controller(self, settings: Settings) -> Any:
        """Return the controller that a table asks for.

        Raises
        ------
        ScenarioError
            If it refuses the settings.
        """
        return made(self._plug_in.with_settings(settings), self.belief)

    def linear(self, settings: Settings) -> LinearController:
        """Return the matrices of a controller of these settings.

        Raises
        ------
        ScenarioError
            If it refuses the settings, or is not linear.
        """
        key = _key(settings)
        if key not in self._linear:
            controller = self.controller(settings)
            try:
                m = len(self.built.parts.mirrors)
                self._linear[key] = linearise(controller, m, self._sizes_rad)
            except ValueError as exc:
                raise ScenarioError(f"controller: {exc}") from exc
        return self._linear[key]

    def loop(self, settings: Settings, world: JudgedMirrors | None = None) -> Loop:
        """Return the loops with a controller of these settings."""
        world = world or self.worlds[0]
        return Loop(controller_matrices(self.linear(settings), world.mirrors.place), world.plant)

    def figures(self, world: JudgedMirrors, settings: Settings) -> LoopFigures:
        """Return stability and margins of gains on mirrors that are looked at only once."""
        return figures_of(self.loop(settings, world))

    def prediction(self, settings: Settings) -> Prediction:
        """Return the residual of every contributor under stable loops of these settings."""
        key = _key(settings)
        if key not in self._predictions:
            loop = self._figures(self.worlds[0], settings, GRID).loop
            self._predictions[key] = predict(self.built, loop, self.spectra)
        return self._predictions[key]

    def settled(self, settings: Settings, shaping: Settings) -> Settled:
        """Return settling after the last command under stable loops of these settings."""
        key = (_key(settings), _key(shaping))
        if key not in self._settled:
            world = self.worlds[0]
            loop = self._figures(world, settings, GRID).loop
            variance = self.prediction(settings).variance_rad2.sum(axis=0)
            self._settled[key] = settle(world.built, world.move(shaping), loop, variance)
        return self._settled[key]

    def levels_on(self, world: JudgedMirrors, settings: Settings, shaping: Settings) -> Array:
        """Return settling (L, R) on other mirrors by chance; noise is that of the described switch.

        See `sim.studies.margins.settling.levels_of`. [s]
        """
        loop, here = self.loop(settings, world), self._figures(self.worlds[0], settings, GRID)
        codes = self.prediction(settings).codes if here.stable.all() else WHITE
        variance = variance_at(loop, self.spectra, world.mirrors.place, codes)
        after = followed(world.move(shaping), loop)
        return levels_of(world.built, after, variance, world.mirrors)

    def beside(
        self, world: JudgedMirrors, settings: Settings, shaping: Settings, n_grid: int = GRID
    ) -> Beside:
        """Return what gains are worth on one of the other `worlds`."""
        f = self._figures(world, settings, n_grid)
        if self.demands.settling_ms is None or not self._keeps_margins(f):
            return Beside(f, None)  # not asked for, or not worth the time
        key = (id(world), _key(settings), _key(shaping))
        if key not in self._elsewhere:
            slowest_s, row = slowest_interval(self.levels_on(world, settings, shaping))
            self._elsewhere[key] = float(slowest_s[1]), row
        return Beside(f, self._elsewhere[key])

    def candidate(
        self, settings: Settings, n_grid: int = GRID, shaping: Settings | None = None
    ) -> Candidate:
        """Return what a set of gains is worth, with the scenario's shaping or another."""
        shaping = self.built.resolved.shaping if shaping is None else shaping
        found = self._here(settings, shaping, n_grid)
        for world in self.worlds[1:]:
            found = self._worse(found, world, self.beside(world, settings, shaping, n_grid))
        return found._replace(meets=self.demands.met_by(found))

    def name(self, world: JudgedMirrors, row: Any) -> str:
        """Return a mirror's name, and the switch that it is in unless that is the described one."""
        place = int(world.mirrors.place[int(row)])
        ports = self.built.resolved.switch.geometry.ports_per_side
        text = mirror_name(int(self.built.parts.mirrors[place]), ports)
        return f"{text}, {world.label}" if world.label else text

    def _here(self, settings: Settings, shaping: Settings, n_grid: int) -> Candidate:
        """Return what a set of gains is worth on the described switch."""
        world, built, m = self.worlds[0], self.built, len(self.built.parts.mirrors)
        f = self._figures(world, settings, n_grid)
        stable = bool(f.stable.all())
        settling_s, interval = np.full(m, np.inf), (np.inf, np.inf)
        left = Left(np.zeros((m, 2)), np.zeros((m, 2)))
        slowest_s, slowest, prediction = np.inf, 0, None
        if stable:
            s = self.settled(settings, shaping)
            settling_s, slowest_s, slowest = s.settling_s, float(s.slowest_s[1]), s.slowest
            interval = (1e3 * float(s.slowest_s[0]), 1e3 * float(s.slowest_s[2]))
            left = s.left
            prediction = with_moves(self.prediction(settings), built, left.jitter_rad2)
        ringing_s = self._ringing_s(shaping)
        own = np.array([n in OWN for n in prediction.names]) if prediction else np.zeros(0, bool)
        square = prediction.square_rad2 if prediction else np.zeros(0)
        loss = self._losses(prediction, left)
        name = partial(self.name, world)
        return Candidate(
            settings=dict(settings),
            shaping=dict(shaping),
            stable=stable,
            ms=float(f.ms.max()) if stable else np.inf,
            ms_mirror=name(f.ms.argmax()),
            gain_margin_db=float(f.gain_db.min()) if stable else -np.inf,
            gain_mirror=name(f.gain_db.argmin()),
            phase_margin_deg=float(f.phase_deg.min()) if stable else -np.inf,
            phase_mirror=name(f.phase_deg.argmin()),
            settling_ms=1e3 * slowest_s,
            settling_mirror=name(slowest),
            settling_interval_ms=interval,
            mean_settling_ms=1e3 * self._mean_settling_s(settling_s),
            ringing_ms=1e3 * float(ringing_s.max()),
            ringing_mirror=name(ringing_s.argmax()),
            noise_rad=float(np.sqrt(max(square[own].sum(), 0.0))) if prediction else np.inf,
            disturbed_rad=float(np.sqrt(square[~own].sum())) if prediction else np.inf,
            jitter_rad=prediction.total_rad if prediction else np.inf,
            loss_db=float(loss.sum()) / max(len(built.parts.epochs[-1].pairs), 1)
            if prediction
            else np.inf,
            meets=False,
            each=EachMirror(f.ms, f.gain_db, f.phase_deg, 1e3 * settling_s, loss),
        )

    def _keeps_margins(self, f: LoopFigures) -> bool:
        d = self.demands
        return bool(
            f.stable.all() and f.ms.max() <= d.ms and f.gain_db.min() >= d.gain_margin_db
            and f.phase_deg.min() >= d.phase_margin_deg
        )  # fmt: skip

    def _ringing_s(self, shaping: Settings) -> Array:
        key = _key(shaping)
        if key not in self._ringing:
            self._ringing[key] = ringing_of(self.built, self.worlds[0].move(shaping))
        return self._ringing[key]

    def _figures(self, world: JudgedMirrors, settings: Settings, n_grid: int) -> LoopFigures:
        key = (id(world), _key(settings), n_grid)
        if key not in self._loops:
            self._loops[key] = figures_of(self.loop(settings, world), n_grid)
        return self._loops[key]

    def _losses(self, prediction: Prediction | None, left: Left) -> Array:
        """Return the excess loss (M,) that each mirror's error adds to its connection. [dB]"""
        if prediction is None:
            return np.zeros(len(left.square_rad2))
        steady = left.square_rad2 - left.jitter_rad2
        square = prediction.variance_rad2.sum(axis=0) + steady
        return np.asarray((square * self.weight_db).sum(axis=-1))

    def _mean_settling_s(self, settling_s: Array) -> float:
        epoch = self.built.parts.epochs[-1]
        moved = moved_of(self.built)
        pairs = epoch.pairs[moved[epoch.pairs].any(axis=-1)] if len(epoch.pairs) else epoch.pairs
        if not len(pairs):
            return float(settling_s.mean())
        return float(settling_s[pairs].max(axis=-1).mean())

    def _worse(self, a: Candidate, world: JudgedMirrors, b: Beside) -> Candidate:
        """Return the described switch's candidate with the worse of both figures."""
        f = b.loops
        if not f.stable.all():
            return a._replace(stable=False, ms=np.inf, ms_mirror=self.name(world, f.ms.argmax()))
        changes: dict[str, Any] = {}
        if f.ms.max() > a.ms:
            changes |= {"ms": float(f.ms.max()), "ms_mirror": self.name(world, f.ms.argmax())}
        if f.gain_db.min() < a.gain_margin_db:
            changes |= {"gain_margin_db": float(f.gain_db.min()),
                        "gain_mirror": self.name(world, f.gain_db.argmin())}
        if f.phase_deg.min() < a.phase_margin_deg:
            changes |= {"phase_margin_deg": float(f.phase_deg.min()),
                        "phase_mirror": self.name(world, f.phase_deg.argmin())}
        if b.settled is not None and 1e3 * b.settled[0] > a.settling_ms:
            changes |= {"settling_ms": 1e3 * b.settled[0],
                        "settling_mirror": self.name(world, b.settled[1])}
        return a._replace(**changes)


def _key(settings: Settings) -> str:
    return repr(sorted(settings.items()))
