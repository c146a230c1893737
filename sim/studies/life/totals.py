"""What is kept of a life: sums over each row of the table of years."""

from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.foundations.ports import Array
from sim.studies.life.plant import Index, SlowPlant
from sim.studies.life.state import State

CONTRIBUTORS: Final = (
    "connectors", "ports", "mirrors", "optics", "pointing", "jitter",
)  # fmt: skip
WORDS: Final = {
    "connectors": "connectors, two",
    "ports": "collimators and combiners, with their ageing",
    "mirrors": "mirrors' reflectivity, with its ageing",
    "optics": "edges, waists, curvature",
    "pointing": "pointing, settled",
    "jitter": "pointing, jitter",
}
LIMITS: Final = ("acceptance", "end_of_life")
"""Limits of `switch.budget` whose first miss is noted; the last decides what is out of budget."""
CAUSES: Final = (*CONTRIBUTORS, "monitor light", "board", "drive limit", "episode")
"""Why a connection is out of its budget: what has grown most since it was new, or what failed.
Pointing that has grown while the monitor light is out counts for the light."""
CAUSE_WORDS: Final = WORDS | {
    "monitor light": "pointing while the monitor light is out", "board": "driver board out",
    "drive limit": "drive at its limit", "episode": "episodes such as earthquakes",
}  # fmt: skip


class Miss(NamedTuple):
    """A first miss of a limit."""

    time_s: float
    cause: str
    """Of `CAUSES`."""
    connection: int
    """Place of its input."""


class LargestAsked(NamedTuple):
    """What some steps asked of drive and travel."""

    drive_rad: Array
    """(T, M, 2) [rad]"""
    most_rad: Array
    """(M, 2) the largest of them. [rad]"""
    limit_rad: Array
    """(M, 2) the whole drive. [rad]"""
    tilt_rad: Array
    """(M, 2) largest tilt. [rad]"""


class Row(NamedTuple):
    """A stretch of a life. Losses are insertion losses. [dB]"""

    year: float
    """At its end."""
    hours: float
    mean_db: Array
    """(C,) of each input's connections, over the stretch."""
    peak_db: Array
    """(C,) largest at any step; NaN for one that was dark throughout."""
    pairs: Index
    """(K, 2) inputs and outputs, by their places, that were connected at any step."""
    pair_peak_db: Array
    """(K,) largest of each at any step."""
    contributors_db: dict[str, float]
    """Mean over connections and the stretch."""
    out_h: dict[str, float]
    """Connection-hours out of budget, by cause."""
    connection_out_h: Array
    """(C,) hours out of budget of each input. [h]"""
    celsius: float
    light: float
    drive_share: Array
    """(M, 2) largest of the whole drive that was asked for. [-]"""
    tilt_rad: Array
    """(M, 2) largest tilt. [rad]"""
    correction_rad: Array
    """(M, 2) at its end. [rad]"""
    error_rad: Array
    """(M, 2) at its end. [rad]"""


class Sums:
    """Adds up steps until a row ends."""

    def __init__(self, n_connections: int) -> None:
        """Begin."""
        self.first_miss: dict[str, Miss | None] = dict.fromkeys(LIMITS)
        self.steps = 0
        self._n = n_connections
        self._new: dict[str, Array] | None = None
        self._clear()

    def _clear(self) -> None:
        self._hours = 0.0
        self._loss_h = np.zeros(self._n)
        self._peak = np.full(self._n, np.nan)
        self._pair_peak = np.full((self._n, self._n), np.nan)
        self._parts_h = dict.fromkeys(CONTRIBUTORS, 0.0)
        self._out_h = dict.fromkeys(CAUSES, 0.0)
        self._connection_out_h = np.zeros(self._n)
        self._celsius_h = self._light_h = 0.0
        self._share: Any = 0.0
        self._tilt: Any = 0.0

    def add(
        self, plant: SlowPlant, state: State, time_s: Array, length_s: Array, error_rad: Array,
        variance_rad2: Array, ageing_h: Array, mirror_db: Array, port_db: Array, celsius: Array,
        light: Array, asked: LargestAsked, *, seen: bool,
    ) -> None:  # fmt: skip
        """Take some steps; each stands for the time since the one before.

        `seen` says whether the monitor light can be read.
        """
        c, outputs = np.arange(plant.n_connections), state.outputs
        pairs = plant.pairs(outputs)
        form = plant.form_db[c, outputs]
        share = ageing_h / (plant.life.years * 8766.0)  # (T,)
        e = error_rad[:, pairs].reshape(len(time_s), -1, 4).transpose(1, 0, 2)  # (C, T, 4)
        pointing = ((e @ form) * e).sum(axis=-1).T  # (T, C)
        spread = variance_rad2[pairs].reshape(-1, 4)
        jitter = np.einsum("cii,ci->c", form, spread)
        parts: dict[str, Array] = {
            "connectors": state.connectors_db[0] + state.connectors_db[1][outputs],
            "ports": plant.ports_db[c, outputs] + share[:, None] * port_db[pairs].sum(axis=1),
            "mirrors": plant.mirrors_db[c, outputs] + share[:, None] * mirror_db[pairs].sum(axis=1),
            "optics": plant.fixed_db[c, outputs],
            "pointing": pointing,
            "jitter": jitter,
        }
        loss: Array = sum(parts.values(), np.zeros((len(time_s), self._n)))
        if self._new is None:
            self._new = {name: np.atleast_2d(part)[0] for name, part in parts.items()}
        hours = length_s / 3600.0
        dark = np.asarray(~state.boards[pairs].all(axis=1))
        self._judge(plant, parts, loss, hours, time_s, dark, pairs, asked, seen)
        self._hours += float(hours.sum())
        self._loss_h += hours @ loss
        peak = np.where(dark, np.nan, loss.max(axis=0))
        self._peak = np.fmax(self._peak, peak)
        self._pair_peak[c, outputs] = np.fmax(self._pair_peak[c, outputs], peak)
        for name, part in parts.items():
            mean = part.mean(axis=-1)
            self._parts_h[name] += float((hours * mean).sum())
        self._celsius_h += float((hours * celsius).sum())
        self._light_h += float((hours * light).sum())
        self._share = np.maximum(self._share, asked.most_rad / asked.limit_rad)
        self._tilt = np.maximum(self._tilt, asked.tilt_rad)
        self.steps += len(time_s)

    def _judge(
        self, plant: SlowPlant, parts: dict[str, Array], loss: Array, hours: Array,
        time_s: Array, dark: NDArray[np.bool_], pairs: Index, asked: LargestAsked,
        seen: bool,
    ) -> None:  # fmt: skip
        """Add up what is out of budget, and by what."""
        self._out_h["board"] += float(hours.sum() * dark.sum())
        self._connection_out_h += hours.sum() * dark
        for name in LIMITS:
            over = (loss > getattr(plant.budget, f"{name}_db")) & ~dark
            if not over.any():
                continue
            t, c = np.nonzero(over)  # in the order of time
            last = name == LIMITS[-1]
            if self.first_miss[name] is None or last:
                cause = self._causes(parts, loss, t, c, pairs, asked, seen)
            if self.first_miss[name] is None:
                first = Miss(float(time_s[t[0]]), CAUSES[cause[0]], int(c[0]))
                self.first_miss[name] = first
            if last:
                self._connection_out_h += hours @ over
                for number in np.unique(cause):
                    self._out_h[CAUSES[number]] += float(hours[t[cause == number]].sum())

    def _causes(
        self, parts: dict[str, Array], loss: Array, t: Index, c: Index, pairs: Index,
        asked: LargestAsked, seen: bool,
    ) -> Index:  # fmt: skip
        """Return the cause (K,), by its place in `CAUSES`, of connections c at steps t."""
        new = self._new or {}
        grown = np.stack([
            np.broadcast_to(part, loss.shape)[t, c] - new[name][c] for name, part in parts.items()
        ])  # fmt: skip
        cause = grown.argmax(axis=0)
        if not seen:
            cause[cause == CAUSES.index("pointing")] = CAUSES.index("monitor light")
        own = np.abs(asked.drive_rad[t[:, None], pairs[c]])
        at_limit = (own > asked.limit_rad[pairs[c]]).any(axis=(1, 2))
        cause[at_limit] = CAUSES.index("drive limit")
        return cause

    def row(self, time_s: float, state: State, plant: SlowPlant, limit_rad: Array) -> Row:
        """Return the row that ends, and begin the next."""
        hours = max(self._hours, 1e-12)
        pairs = np.argwhere(np.isfinite(self._pair_peak))
        row = Row(
            year=time_s / (8766.0 * 3600.0),
            hours=self._hours,
            mean_db=self._loss_h / hours,
            peak_db=self._peak,
            pairs=pairs,
            pair_peak_db=self._pair_peak[tuple(pairs.T)],
            contributors_db={name: part / hours for name, part in self._parts_h.items()},
            out_h=dict(self._out_h),
            connection_out_h=self._connection_out_h,
            celsius=self._celsius_h / hours,
            light=self._light_h / hours,
            drive_share=np.broadcast_to(self._share, limit_rad.shape).copy(),
            tilt_rad=np.broadcast_to(self._tilt, limit_rad.shape).copy(),
            correction_rad=state.correction_rad,
            error_rad=state.error_rad,
        )
        self._clear()
        return row
