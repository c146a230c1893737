"""What gains are worth: margins, settling and predicted loss of the whole population."""

from collections.abc import Mapping
from dataclasses import replace
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
from controllers.analysis.linearise import LinearController, linearise
from controllers.analysis.margins import margins
from sim.assembly.build import Built, build
from sim.assembly.plug_ins import made, plug_in
from sim.errors import ScenarioError
from sim.ports import Array
from sim.results.metrics import mirror_name
from sim.studies.margins.candidate import Candidate, EachMirror
from sim.studies.margins.demands import Demands
from sim.studies.margins.plant import plant_belief, plant_of
from sim.studies.margins.predict import Prediction, predict, with_moves
from sim.studies.margins.settling import (
    Left,
    Move,
    Settled,
    move_of,
    moved_of,
    ringing_of,
    settle,
)
from sim.studies.margins.spectra import Spectra, proof_sizes, spectra_of

BANDS: Final = 120
GRID: Final = 260
"""Coarse grids for the search; the chosen point is checked on fine ones."""
OWN: Final = {"measurement noise", "DAC steps", "amplifier noise"}
"""Contributors that are the loop's own instruments."""
Settings = Mapping[str, Any]


class World:
    """One switch that gains are judged on: the one described, or one that differs from it."""

    def __init__(self, built: Built, label: str = "") -> None:
        self.built, self.label = built, label
        self.plant = plant_of(built)
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
            self._moves[key] = move_of(self.shaped(shaping))
        return self._moves[key]


class LoopFigures(NamedTuple):
    """What the loop alone says of every mirror, (M,) each."""

    loop: Loop
    stable: bool
    ms: Array
    gain_db: Array
    phase_deg: Array


class GainJudge:
    """Evaluates gains against one scenario; everything that does not depend on them is kept."""

    def __init__(self, built: Built, demands: Demands) -> None:
        self.built, self.demands = built, demands
        self.belief = plant_belief(built)
        self.spectra: Spectra = spectra_of(built, BANDS)
        self._sizes_rad = proof_sizes(built)
        self.kind = str(built.resolved.controller["kind"])
        self._plug_in = plug_in(CONTROLLERS, built.resolved.controller, "controller")
        self.worlds = [World(built)]
        """The described switch first, then those that must keep the demands too."""
        self._linear: dict[str, LinearController] = {}
        self._loops: dict[tuple[int, str, int], LoopFigures] = {}
        self._predictions: dict[tuple[int, str], Prediction] = {}
        self._ringing: dict[str, Array] = {}
        self._settled: dict[tuple[int, str, str], Settled] = {}

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

    def loop(self, settings: Settings, world: World | None = None) -> Loop:
        """Return the loops with a controller of these settings."""
        plant, key = (world or self.worlds[0]).plant, _key(settings)
        if key not in self._linear:
            controller = self.controller(settings)
            try:
                self._linear[key] = linearise(controller, len(plant.mix), self._sizes_rad)
            except ValueError as exc:
                raise ScenarioError(f"controller: {exc}") from exc
        return Loop(self._linear[key], plant)

    def prediction(self, settings: Settings, world: World | None = None) -> Prediction:
        """Return the residual of every contributor under stable loops of these settings."""
        world = world or self.worlds[0]
        key = (id(world), _key(settings))
        if key not in self._predictions:
            loop = self._figures(world, settings, GRID).loop
            self._predictions[key] = predict(world.built, loop, self.spectra)
        return self._predictions[key]

    def settled(
        self, settings: Settings, shaping: Settings, world: World | None = None
    ) -> Settled:
        """Return settling after the last command under stable loops of these settings."""
        world = world or self.worlds[0]
        key = (id(world), _key(settings), _key(shaping))
        if key not in self._settled:
            loop = self._figures(world, settings, GRID).loop
            variance = self.prediction(settings, world).variance_rad2.sum(axis=0)
            self._settled[key] = settle(world.built, world.move(shaping), loop, variance)
        return self._settled[key]

    def candidate(
        self, settings: Settings, n_grid: int = GRID, shaping: Settings | None = None
    ) -> Candidate:
        """Return what a set of gains is worth, with the scenario's shaping or another."""
        shaping = self.built.resolved.shaping if shaping is None else shaping
        found = self.on(self.worlds[0], settings, shaping, n_grid)
        for world in self.worlds[1:]:
            found = self._worse(found, self.on(world, settings, shaping, n_grid))
        return found._replace(meets=self.demands.met_by(found))

    def on(
        self, world: World, settings: Settings, shaping: Settings, n_grid: int = GRID
    ) -> Candidate:
        """Return what a set of gains is worth on one switch."""
        built, mirrors = world.built, self.built.parts.mirrors
        f = self._figures(world, settings, n_grid)
        m = len(mirrors)
        settling_s, interval = np.full(m, np.inf), (np.inf, np.inf)
        left = Left(np.zeros((m, 2)), np.zeros((m, 2)))
        slowest_s, slowest, prediction = np.inf, 0, None
        asked = self.demands.settling_ms is not None
        if world is not self.worlds[0] and not (asked and self._keeps_margins(f)):
            slowest_s = np.nan  # not asked for, or not worth the time: the margins are missed
        elif f.stable:
            s = self.settled(settings, shaping, world)
            prediction = self.prediction(settings, world)
            settling_s, slowest_s, slowest = s.settling_s, float(s.slowest_s[1]), s.slowest
            interval = (1e3 * float(s.slowest_s[0]), 1e3 * float(s.slowest_s[2]))
            left = s.left
            prediction = with_moves(prediction, built, left.jitter_rad2)
        ringing_s = self._ringing_s(shaping)
        own = np.array([n in OWN for n in prediction.names]) if prediction else np.zeros(0, bool)
        jitter = prediction.jitter_rad if prediction else np.zeros(0)
        loss = self._losses(prediction, left)

        def name(at: Any) -> str:
            ports = self.built.resolved.switch.geometry.ports_per_side
            text = mirror_name(int(mirrors[int(at)]), ports)
            return f"{text}, {world.label}" if world.label else text

        found = Candidate(
            settings=dict(settings),
            shaping=dict(shaping),
            stable=f.stable,
            ms=float(f.ms.max()) if f.stable else np.inf,
            ms_mirror=name(f.ms.argmax()),
            gain_margin_db=float(f.gain_db.min()) if f.stable else -np.inf,
            gain_mirror=name(f.gain_db.argmin()),
            phase_margin_deg=float(f.phase_deg.min()) if f.stable else -np.inf,
            phase_mirror=name(f.phase_deg.argmin()),
            settling_ms=1e3 * slowest_s,
            settling_mirror=name(slowest),
            settling_interval_ms=interval,
            mean_settling_ms=1e3 * self._mean_settling_s(settling_s),
            ringing_ms=1e3 * float(ringing_s.max()),
            ringing_mirror=name(ringing_s.argmax()),
            noise_rad=float(np.sqrt((jitter[own] ** 2).sum())) if prediction else np.inf,
            disturbed_rad=float(np.sqrt((jitter[~own] ** 2).sum())) if prediction else np.inf,
            jitter_rad=prediction.total_rad if prediction else np.inf,
            loss_db=float(loss.sum()) / max(len(built.parts.epochs[-1].pairs), 1)
            if prediction
            else np.inf,
            meets=False,
            each=EachMirror(f.ms, f.gain_db, f.phase_deg, 1e3 * settling_s, loss),
        )
        return found._replace(meets=self.demands.met_by(found))

    def _keeps_margins(self, f: LoopFigures) -> bool:
        d = self.demands
        return bool(
            f.stable and f.ms.max() <= d.ms and f.gain_db.min() >= d.gain_margin_db
            and f.phase_deg.min() >= d.phase_margin_deg
        )  # fmt: skip

    def _ringing_s(self, shaping: Settings) -> Array:
        key = _key(shaping)
        if key not in self._ringing:
            self._ringing[key] = ringing_of(self.built, self.worlds[0].move(shaping))
        return self._ringing[key]

    def _figures(self, world: World, settings: Settings, n_grid: int) -> LoopFigures:
        key = (id(world), _key(settings), n_grid)
        if key not in self._loops:
            loop = self.loop(settings, world)
            grid = frequency_grid(loop, n_grid)
            whole = sensitivity(loop_gain(loop, grid))
            of_axes = margins(grid, axis_gain(whole))
            self._loops[key] = LoopFigures(
                loop,
                bool((growth(close(loop)) < 1.0).all()),
                largest_singular_value(whole).max(axis=0),
                20 * np.log10(np.nan_to_num(of_axes.gain, nan=np.inf).min(axis=-1)),
                np.degrees(np.nan_to_num(of_axes.phase_rad, nan=np.inf)).min(axis=-1),
            )
        return self._loops[key]

    def _losses(self, prediction: Prediction | None, left: Left) -> Array:
        """Return the excess loss (M,) that each mirror's error adds to its connection. [dB]"""
        epoch = self.built.parts.epochs[-1]
        losses = np.zeros(len(left.square_rad2))
        if prediction is None or not len(epoch.pairs):
            return losses
        steady = left.square_rad2 - left.jitter_rad2
        square = prediction.variance_rad2.sum(axis=0) + steady
        curvature = np.einsum("cii->ci", epoch.form_db).reshape(-1, 2, 2)
        np.add.at(losses, epoch.pairs, (square[epoch.pairs] * curvature).sum(axis=-1))
        return losses

    def _mean_settling_s(self, settling_s: Array) -> float:
        epoch = self.built.parts.epochs[-1]
        moved = moved_of(self.built)
        pairs = epoch.pairs[moved[epoch.pairs].any(axis=-1)] if len(epoch.pairs) else epoch.pairs
        if not len(pairs):
            return float(settling_s.mean())
        return float(settling_s[pairs].max(axis=-1).mean())

    def _worse(self, a: Candidate, b: Candidate) -> Candidate:
        """Return the described switch's candidate with the worse of both figures."""
        changes: dict[str, Any] = {"stable": a.stable and b.stable}
        for figure, mirror, higher in (
            ("ms", "ms_mirror", True), ("gain_margin_db", "gain_mirror", False),
            ("phase_margin_deg", "phase_mirror", False), ("settling_ms", "settling_mirror", True),
        ):  # fmt: skip
            mine, other = getattr(a, figure), getattr(b, figure)
            if (other > mine) if higher else (other < mine):
                changes |= {figure: other, mirror: getattr(b, mirror)}
        return a._replace(**changes)


def _key(settings: Settings) -> str:
    return repr(sorted(settings.items()))
