"""One switch through its life: from happening to happening, in steps that grow."""

from collections.abc import Callable
from itertools import chain

import numpy as np

from sim.foundations.ports import Array
from sim.life.arrhenius import acceleration
from sim.optics.losses import connector_loss_db, drawn_connector_db
from sim.studies.life.adding import added_up, times_all, weighted
from sim.studies.life.draws import (
    AGEING,
    BOARD,
    CONNECTION,
    MATING,
    OFFSET,
    PAIR,
    PEAK,
    Draws,
)
from sim.studies.life.lived import Lived
from sim.studies.life.noted import event_words
from sim.studies.life.plant import Index, SlowPlant
from sim.studies.life.schedule import HOUR_S, LifeEvent, What
from sim.studies.life.state import State
from sim.studies.life.steps import blocks
from sim.studies.life.totals import LargestAsked, Sums

FOUND_BY_INSPECTION = 1_000_000
"""Numbers of measurements that an inspection asks for start here: they have draws of their own."""


class March:
    """A switch that goes through its life."""

    def __init__(self, plant: SlowPlant, largest_step_s: float) -> None:
        """Prepare.

        Parameters
        ----------
        plant : SlowPlant
            The switch.
        largest_step_s : float
            Longest step. [s]
        """
        self.plant = plant
        self.step_s = min([largest_step_s, *(d.longest_step_s for d in plant.changing)])
        seeds = plant.built.resolved.seeds
        parts = plant.built.parts
        self.draws = Draws(seeds.noise, parts.mirrors)
        own = Draws(seeds.population, parts.mirrors)
        b = plant.budget
        z = own.mirrors(AGEING, 0)  # column 0: the mirror, column 1: its port
        self._mirror_db = np.maximum(b.mirror_ageing_db + b.mirror_ageing_sd_db * z[:, 0], 0.0)
        self._port_db = np.maximum(b.port_ageing_db + b.port_ageing_sd_db * z[:, 1], 0.0)
        self._limit_rad = parts.drive_limit_rad
        self._first_calibration = parts.population.calibration_ratio
        self._cross = parts.population.cross_axis
        self._cubic = np.array(plant.built.resolved.mirror.cubic_per_rad2)
        self._seed = seeds.population
        self._moved_bias = bool(plant.biased)

    def initial_state(self) -> State:
        """Return the switch at its first power."""
        plant, parts = self.plant, self.plant.built.parts
        count, m = plant.n_connections, len(parts.mirrors)
        optics = plant.built.resolved.switch.optics
        connectors = np.stack([
            connector_loss_db(plant.inputs, 0, optics, self._seed),
            connector_loss_db(plant.outputs, 1, optics, self._seed),
        ])  # fmt: skip
        state = State(
            time_s=0.0,
            slow=tuple(d.slow_state() for d in plant.slow),
            outputs=plant.start,
            offset_rad=parts.population.alignment_rad,
            table_rad=parts.population.alignment_rad,
            calibration=parts.population.calibration_ratio,
            share=np.zeros((m, 2)),
            charged=tuple(np.zeros((len(r.tau_s), m, 2)) for r, _ in plant.biased),
            peakings=0,
            connectors_db=connectors,
            matings=np.zeros((2, count), np.int64),
            effective_h=0.0,
            lamp_h=0.0,
            light=1.0,
            boards=np.ones(m, bool),
            correction_rad=np.zeros((m, 2)),
            error_rad=parts.population.alignment_rad,
        )
        return self._biased(state)

    def live(
        self, events: list[LifeEvent], progress: Callable[[float], None] | None = None
    ) -> Lived:
        """Go through a life; the last event ends it.

        Parameters
        ----------
        events : list of LifeEvent
            From `schedule`.
        progress : callable, optional
            Called with the time reached. [s]
        """
        state, sums = self.initial_state(), Sums(self.plant.n_connections)
        rows, at_episodes, counts = [], [], dict.fromkeys(What, 0)
        notable: list[tuple[float, str]] = []
        since_s = 0.0  # of what last began to change
        for event in self._with_changes(events):
            for times in blocks(state.time_s, event.time_s, since_s, self.step_s):
                state = self._biased(self._block(state, times, sums))
            counts[event.what] += 1
            if event.what is What.CHANGE:
                since_s = state.time_s
                continue
            if event.what is What.ROW:
                rows.append(sums.row(state.time_s, state, self.plant, self._limit_rad))
                if progress is not None:
                    progress(state.time_s)
                continue
            if event.what is What.EPISODE:
                at_episodes.append((event, state))
            before, state = state, self._happen(state, event, counts)
            words = event_words(event, before, state, self.plant.life.episodes)
            notable += [(state.time_s, what) for what in words]
            moved = state.outputs is not before.outputs
            if self._moved_bias and (moved or event.what in (What.BOARD_DOWN, What.BOARD_UP)):
                since_s = state.time_s
        return Lived(rows, sums.first_miss, state, at_episodes, notable, counts, sums.steps)

    def _with_changes(self, events: list[LifeEvent]) -> list[LifeEvent]:
        """Return the events with those times at which a disturbance begins to change at once."""
        until_s = events[-1].time_s if events else 0.0
        changes = [
            LifeEvent(float(at), What.CHANGE)
            for at in chain.from_iterable(d.changes_s(until_s) for d in self.plant.changing)
            if 0.0 < at < until_s
        ]
        return sorted([*events, *changes], key=lambda h: h.time_s) if changes else events

    def gained_db(self, state: State) -> Array:
        """Return what connections (C,) have gained in loss beside pointing since new. [dB]"""
        plant = self.plant
        pairs = plant.pairs(state.outputs)
        share = state.effective_h / (plant.life.years * 8766.0)
        aged = share * (self._mirror_db + self._port_db)[pairs].sum(axis=1)
        now = state.connectors_db[0] + state.connectors_db[1][state.outputs]
        new = self.initial_state().connectors_db
        return np.asarray(aged + now - new[0] - new[1][state.outputs])

    def aims_rad(self, outputs: Index) -> Array:
        """Return the believed tilts (M, 2) that a set of connections asks for. [rad]"""
        c = np.arange(self.plant.n_connections)
        aim = np.empty((2 * len(c), 2))
        aim[c] = self.plant.aim_a_rad[c, outputs]
        aim[len(c) + outputs] = self.plant.aim_b_rad[c, outputs]
        return aim

    def _block(self, state: State, time_s: Array, sums: Sums) -> State:
        """Go through some steps without an event between them."""
        plant, life = self.plant, self.plant.life
        m = len(plant.built.parts.mirrors)
        length_s = np.diff(time_s, prepend=state.time_s)
        slow, found = [], []
        for disturbance, its in zip(plant.slow, state.slow, strict=True):
            after, effects = disturbance.slow(its, time_s)
            slow.append(after)
            found.append(effects)
        rest, sensor, gain, resonance, temperature = added_up(found, len(time_s), m)
        charged = self._charged(state, time_s, rest)
        celsius = life.reference_c + temperature
        ageing_h = state.effective_h + np.cumsum(
            length_s * acceleration(celsius, life.reference_c, life.loss_activation_ev)
        ) / HOUR_S  # fmt: skip
        lamp_h = state.lamp_h + np.cumsum(
            length_s * acceleration(celsius, life.reference_c, life.monitor.activation_ev)
        ) / HOUR_S  # fmt: skip
        light = np.exp(-1e-5 * life.monitor.dimming_pct_per_1000_h * lamp_h) * (state.light > 0)
        seen = bool(light.mean() >= plant.least_light)

        grown = (1.0 + gain)[:, None, None]
        wanted = self.aims_rad(state.outputs)
        commanded, slope = self._spring(wanted)  # the feed-forward: believed drive for the aim
        alone = grown * self._mixed(commanded / state.calibration)
        alone -= commanded
        alone += rest  # torque that the feed-forward leaves wrong
        if seen:
            shift = -times_all(plant.followed, sensor[:, None, :])
            if plant.left.any():
                shift = shift + times_all(plant.left, alone / slope)
            asked = self._unmixed(shift * slope - alone)
            asked *= state.calibration
            asked /= grown
            asked += commanded
        else:
            asked = np.broadcast_to(commanded + state.correction_rad, rest.shape)
        most_asked = np.maximum(asked.max(axis=0), -asked.min(axis=0))
        last = asked[-1]
        if not seen or (most_asked > self._limit_rad).any():
            driven = np.clip(asked, -self._limit_rad, self._limit_rad)
            last = driven[-1]
            driven = driven * grown
            driven /= state.calibration
            shift = (self._mixed(driven) + rest - commanded) / slope
        error = shift + state.offset_rad
        tilt = np.maximum(np.abs(wanted + shift.max(axis=0)), np.abs(wanted + shift.min(axis=0)))
        variance = plant.jitter.variance_rad2(
            max(float(light.mean()), plant.least_light), float(resonance.mean()),
            self._gain_change(state, float(gain.mean())),
        )  # fmt: skip
        if not seen:
            variance = np.zeros_like(variance)
        sums.add(
            plant, state, time_s, length_s, error, variance, ageing_h, self._mirror_db,
            self._port_db, celsius, light, LargestAsked(asked, most_asked, self._limit_rad, tilt),
            seen=seen,
        )  # fmt: skip
        return state._replace(
            time_s=float(time_s[-1]),
            slow=tuple(slow),
            charged=charged,
            effective_h=float(ageing_h[-1]),
            lamp_h=float(lamp_h[-1]) if state.light > 0 else state.lamp_h,
            light=float(light[-1]) if state.light > 0 else 0.0,
            correction_rad=np.where(state.boards[:, None], last - commanded, 0.0),
            error_rad=error[-1].copy(),
        )

    def _spring(self, tilt_rad: Array) -> tuple[Array, Array]:
        """Return the static drive for tilts, as the tilt of a linear spring, and its slope."""
        stiffer = self._cubic * tilt_rad**2
        return tilt_rad * (1.0 + stiffer), 1.0 + 3.0 * stiffer

    def _mixed(self, drive_rad: Array) -> Array:
        """Return what drives (T, M, 2) do to both axes, coupling included."""
        return drive_rad + self._cross * drive_rad[..., ::-1]

    def _unmixed(self, torque_rad: Array) -> Array:
        """Return the drives that do so."""
        rest = torque_rad - self._cross * torque_rad[..., ::-1]
        rest /= 1.0 - self._cross.prod(axis=1, keepdims=True)
        return rest

    def _charged(self, state: State, time_s: Array, rest_rad: Array) -> tuple[Array, ...]:
        """Return how far dielectrics are at the end; their shift is added to (T, M, 2). [-, rad]"""
        charged = []
        for (relaxation, size_rad), come in zip(self.plant.biased, state.charged, strict=True):
            left = relaxation.after(time_s - state.time_s)
            way = state.share - come
            shift = weighted(left * relaxation.weights, -size_rad * way)
            shift += size_rad * relaxation.weights.sum() * state.share
            rest_rad += shift
            charged.append(state.share - left[-1][:, None, None] * way)
        return tuple(charged)

    def _biased(self, state: State) -> State:
        """Note the drive that each mirror has from now on."""
        if not self._moved_bias:
            return state
        share = (self.aims_rad(state.outputs) + state.correction_rad) / self._limit_rad
        return state._replace(share=np.where(state.boards[:, None], share, 0.0))

    def _gain_change(self, state: State, gain: float) -> float:
        """Return the mean change over mirrors of the gain of their loops since new. [-]"""
        return (1.0 + gain) * float((self._first_calibration / state.calibration).mean()) - 1.0

    def _happen(self, state: State, event: LifeEvent, counts: dict[What, int]) -> State:
        plant, drawn = self.plant, self.draws
        if event.what is What.MOVE:
            state = self._moved(state, event.number)
            return self._biased(state)
        if event.what is What.REMATE:
            return self._mated(state, event.number)
        if event.what is What.REPEAK:
            return self._peaked(state)
        if event.what is What.INSPECT:
            return self._inspected(state, counts)
        if event.what is What.RECALIBRATE:
            return self._calibrated(state, counts[What.RECALIBRATE])
        if event.what is What.LAMP_DOWN:
            return state._replace(light=0.0)
        if event.what is What.LAMP_UP:
            return state._replace(light=1.0, lamp_h=0.0)
        if event.what in (What.BOARD_DOWN, What.BOARD_UP):
            return self._board(state, event, counts)
        if event.what is What.EPISODE:
            sd = 1e-6 * plant.life.episodes[event.number].shift_urad
            shift = sd * drawn.mirrors(OFFSET, counts[What.EPISODE])
            return state._replace(
                offset_rad=state.offset_rad + shift, table_rad=state.table_rad + shift
            )
        return state

    def _inspected(self, state: State, counts: dict[What, int]) -> State:
        """Replace a dim lamp; measure gains and aim beams anew where they are too far off."""
        life = self.plant.life
        if state.light < 0.01 * life.monitor.replace_at_pct:
            state = state._replace(lamp_h=0.0, light=1.0)
        most_pct = life.service.recalibrate_at_pct
        if most_pct is not None:
            wrong = np.abs((1.0 + self._gain_now(state)) / state.calibration - 1.0)
            if wrong.max() > 0.01 * most_pct:
                state = self._calibrated(state, FOUND_BY_INSPECTION + counts[What.INSPECT])
        most_db = life.service.repeak_at_db
        if most_db is not None and self._misaligned_db(state).max() > most_db:
            return self._peaked(state)
        return state

    def _calibrated(self, state: State, number: int) -> State:
        """Measure the drive's gain anew; the error of measuring stays."""
        sd = 0.01 * self.plant.built.resolved.drive.calibration_error_pct
        z = self.draws.mirrors(BOARD, 1 + number)
        return state._replace(calibration=(1.0 + self._gain_now(state)) * (1.0 + sd * z))

    def _moved(self, state: State, number: int) -> State:
        """Let two inputs exchange their outputs."""
        count = self.plant.n_connections
        if count < 2:
            return state
        first, second = self.draws.share(PAIR, number)
        i = int(first * count)
        j = (i + 1 + int(second * (count - 1))) % count
        outputs = state.outputs.copy()
        outputs[[i, j]] = outputs[[j, i]]
        aiming = self.plant.built.resolved.switch.aiming
        if aiming is None or aiming.connection_error_urad == 0.0:
            return state._replace(outputs=outputs)
        offset = state.offset_rad.copy()
        own = np.array([i, j, count + outputs[i], count + outputs[j]])
        z = self.draws.mirrors(CONNECTION, number)[own]
        offset[own] = state.table_rad[own] + 1e-6 * aiming.connection_error_urad * z
        return state._replace(outputs=outputs, offset_rad=offset)

    def _mated(self, state: State, number: int) -> State:
        count = self.plant.n_connections
        first, second = self.draws.share(MATING, number)
        side, port = divmod(int(first * 2 * count), count)
        matings, connectors = state.matings.copy(), state.connectors_db.copy()
        matings[side, port] += 1
        wear = self.plant.budget.wear_db * matings[side, port]
        optics = self.plant.built.resolved.switch.optics
        connectors[side, port] = drawn_connector_db(np.array(second), optics) + wear
        return state._replace(matings=matings, connectors_db=connectors)

    def _peaked(self, state: State) -> State:
        """Aim all beams anew: what was wrong is taken off, the error of peaking stays.

        What the mirrors of an array have in common, as when a camera's frame has moved, is put into
        the table that new connections are aimed by; the rest belongs to the connections that stand.
        """
        sd = 1e-6 * self.plant.life.service.peak_error_urad
        left = sd * self.draws.mirrors(PEAK, state.peakings)
        change = left - state.error_rad
        arrays = np.split(change, 2)
        common = np.concatenate([np.broadcast_to(a.mean(axis=0), a.shape) for a in arrays])
        return state._replace(
            offset_rad=state.offset_rad + change,
            table_rad=state.table_rad + common,
            error_rad=left,
            peakings=state.peakings + 1,
        )

    def _board(self, state: State, event: LifeEvent, counts: dict[What, int]) -> State:
        own = self.plant.boards[event.number]
        boards = state.boards.copy()
        boards[own] = event.what is What.BOARD_UP
        if event.what is What.BOARD_UP:
            sd = 0.01 * self.plant.built.resolved.drive.calibration_error_pct
            z = self.draws.mirrors(BOARD, 100_000 + counts[What.BOARD_UP])
            new = (1.0 + self._gain_now(state)) * (1.0 + sd * z)
            state = state._replace(calibration=np.where(own[:, None], new, state.calibration))
        return self._biased(state._replace(boards=boards))

    def _gain_now(self, state: State) -> float:
        """Return the relative change of the drive's gain at present. [-]"""
        at = np.array([state.time_s])
        found = [
            disturbance.slow(its, at)[1]
            for disturbance, its in zip(self.plant.slow, state.slow, strict=True)
        ]
        return float(sum(0.0 if e.gain is None else e.gain[0] for e in found))

    def _misaligned_db(self, state: State) -> Array:
        """Return the misalignment loss (C,) of the present errors. [dB]"""
        e = state.error_rad[self.plant.pairs(state.outputs)].reshape(-1, 4)
        form = self.plant.form_db[np.arange(len(e)), state.outputs]
        return np.asarray(np.einsum("ci,cij,cj->c", e, form, e))
