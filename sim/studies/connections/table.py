"""The table of all connections of one switch: tilts, paths, and losses by contributor."""

from collections.abc import Callable, Iterable, Iterator
from functools import reduce
from typing import Any, Final, NamedTuple

import numpy as np

from sim.foundations.ports import Array
from sim.mirror.population import MirrorParams
from sim.optics.build_errors import BuiltSwitch, build_switch
from sim.optics.coupling import DB_PER_NEPER
from sim.optics.geometry import SwitchGeometry, connect
from sim.optics.links import links, receiver_jacobian
from sim.optics.losses import connector_loss_db
from sim.optics.reflectivity import relative_reflectivity
from sim.optics.switch import SwitchParams
from sim.studies.connections.aim import (
    PROBES_PER_ROUND,
    Aimed,
    dead_reckoned,
    peaked,
    table_errors,
)
from sim.studies.connections.coupler import Coupler, Ports
from sim.studies.connections.side_by_side import side_by_side

BLOCK: Final = 16384
"""Connections that are worked on at a time; no figure depends on it."""
CONTRIBUTORS: Final = (
    "connectors", "collimators", "combiners", "reflectivity", "clipping", "mode", "curvature",
    "pointing",
)  # fmt: skip
"""In the order in which light meets them; the last four share the beam."""
WORDS: Final = {
    "connectors": "connectors, two",
    "collimators": "collimators, two",
    "combiners": "beam combiners, two",
    "reflectivity": "mirrors' reflectivity, two bounces",
    "clipping": "edges of both mirrors",
    "mode": "unequal waists and axial gap",
    "curvature": "mirrors' curvature",
    "pointing": "pointing",
}


class ConnectionTable(NamedTuple):
    """C connections of one switch, in the order of their inputs, then outputs."""

    inputs: Ports
    outputs: Ports
    losses_db: Array
    """(8, C) by contributor. [dB]"""
    tilt_rad: Array
    """(C, 4) as Ax, Ay, Bx, By. [rad]"""
    path_m: Array
    incidence_rad: Array
    """(C, 2) on mirrors A and B. [rad]"""
    band_db: Array
    """(C, W) insertion loss at each wavelength of `wavelengths_nm`; the first is the data's."""
    wavelengths_nm: tuple[float, ...]
    error_rad: Array
    """(C, 4) tilts from the exact aim. [rad]"""
    probes: int
    """Readings of power that the aim of each connection took."""

    @property
    def insertion_db(self) -> Array:
        """(C,) sum of all contributors. [dB]"""
        return np.asarray(np.sum(self.losses_db, axis=0))


class Maker:
    """Makes tables of one switch, any list of its connections at a time."""

    def __init__(
        self, switch: SwitchParams, mirror: MirrorParams, seed: int, *, edges_alone: bool = False
    ) -> None:
        """Draw the switch.

        Parameters
        ----------
        switch : SwitchParams
            As the scenario has it.
        mirror : MirrorParams
            For the spread of the mirrors' gain, which dead reckoning does not know.
        seed : int
            Of the population.
        edges_alone : bool
            Whether the middle of the band is left out: the loss is worst at one of its edges.
        """
        self.switch, self.mirror, self.seed = switch, mirror, seed
        self.geometry = SwitchGeometry.from_params(switch.geometry)
        optics, band = switch.optics, switch.band
        data_nm = optics.data_wavelength_nm
        self.wavelengths_nm: tuple[float, ...] = (data_nm,)
        if band is not None:
            middle = () if edges_alone else (0.5 * (band.start_nm + band.stop_nm),)
            self.wavelengths_nm += (band.start_nm, *middle, band.stop_nm)
        fibre = band is not None and band.held == "fibre"
        scales = [w / data_nm if fibre else 1.0 for w in self.wavelengths_nm]
        self.exact = any(part is not None for part in (switch.build, band, switch.aiming))
        self.built: BuiltSwitch = build_switch(self.geometry, optics, switch.build, seed)
        self.coupler = Coupler(
            self.built, 1e-6 * optics.mirror_radius_um, 1e-9 * np.array(self.wavelengths_nm),
            np.array(scales),
        )  # fmt: skip
        self._connectors_db = [
            connector_loss_db(np.arange(count), side, optics, seed)
            for side, count in enumerate((self.geometry.ports_per_side, self.geometry.ports_out))
        ]

    @property
    def n_connections(self) -> int:
        """Inputs times outputs."""
        return self.geometry.ports_per_side * self.geometry.ports_out

    def blocks(self) -> Iterator[tuple[Ports, Ports]]:
        """Yield all connections, some at a time."""
        for first in range(0, self.n_connections, BLOCK):
            which = np.arange(first, min(first + BLOCK, self.n_connections))
            inputs, outputs = np.divmod(which, self.geometry.ports_out)
            yield inputs, outputs

    def whole(self, progress: Callable[[int, int], None] | None = None) -> ConnectionTable:
        """Return the table of all connections; `progress` is called with (finished, all)."""

        def counted() -> Iterator[ConnectionTable]:
            done = 0
            for part in side_by_side(lambda ports: self.table(*ports), self.blocks()):
                yield part
                done += len(part.inputs)
                if progress is not None:
                    progress(done, self.n_connections)

        return joined(counted(), self.n_connections)

    def jacobians(self, table: ConnectionTable) -> Array:
        """Return the Jacobians (C, 4, 4) of all connections of a table, see `jacobian`."""
        ports = [(table.inputs[a : a + BLOCK], table.outputs[a : a + BLOCK])
                 for a in range(0, len(table.inputs), BLOCK)]  # fmt: skip
        found = np.empty((len(table.inputs), 4, 4))
        done = 0
        for part in side_by_side(lambda each: self.jacobian(*each), ports):
            found[done : done + len(part)] = part
            done += len(part)
        return found

    def aimed(self, inputs: Ports, outputs: Ports) -> Aimed:
        """Return how the connections are aimed, by the scenario's level."""
        aiming = self.switch.aiming
        if aiming is None:
            return Aimed(np.zeros((len(inputs), 4)), False, 0)
        if aiming.level == "dead_reckoning":
            design = connect(self.geometry, inputs, outputs)
            tilts = np.concatenate([design.tilt_a_rad, design.tilt_b_rad], axis=1)
            spread = 0.01 * self.mirror.gain_spread_pct
            asked = dead_reckoned(self.switch, spread, self.seed, inputs, outputs, tilts)
            return Aimed(asked, True, 0)
        errors = table_errors(aiming, self.seed, inputs, outputs)
        if aiming.level == "calibrated":
            return Aimed(errors, False, 0)
        found = peaked(
            self.coupler, self.switch, aiming, self.seed, inputs, outputs, errors
        )
        return Aimed(found, False, PROBES_PER_ROUND * aiming.rounds)

    def jacobian(self, inputs: Ports, outputs: Ports) -> Array:
        """Return the Jacobians (C, 4, 4) at the exact aims; see `receiver_jacobian`."""
        return receiver_jacobian(self.built, inputs, outputs)

    def table(self, inputs: Ports, outputs: Ports, aimed: Aimed | None = None) -> ConnectionTable:
        """Return the table of C connections; aimed as the scenario says, or as given."""
        if not self.exact and aimed is None:
            return self._as_runs_have_it(inputs, outputs)
        aimed = aimed or self.aimed(inputs, outputs)
        optics, band = self.switch.optics, self.switch.band
        found = self.coupler.couple(
            inputs, outputs, aimed.change_rad, from_rest=aimed.from_rest
        )
        ratio = self.built.a.reflectivity[inputs] * self.built.b.reflectivity[outputs]
        bounces_db = -DB_PER_NEPER * np.log(ratio)
        metal = () if band is None else band.metal
        reflectivity_db = [
            bounces_db
            - DB_PER_NEPER * np.sum(np.log(relative_reflectivity(
                metal, nm, found.incidence_rad, optics.data_wavelength_nm,
                self.geometry.incidence_rad,
            )), axis=1)
            for nm in self.wavelengths_nm
        ] if metal else [bounces_db] * len(self.wavelengths_nm)  # fmt: skip
        connectors_db = self._connectors_db[0][inputs] + self._connectors_db[1][outputs]
        fixed_db = connectors_db + 2.0 * (optics.collimator_loss_db + optics.combiner_loss_db)
        one = np.ones(len(inputs))
        losses = np.stack([
            connectors_db, 2.0 * optics.collimator_loss_db * one,
            2.0 * optics.combiner_loss_db * one, reflectivity_db[0], found.clipping_db,
            found.mode_db, found.curvature_db, found.pointing_db,
        ])  # fmt: skip
        band_db = np.stack(reflectivity_db, axis=1) + fixed_db[:, None] + found.band_db
        error = aimed.change_rad
        if aimed.from_rest:
            exact = self.coupler.couple(inputs, outputs, np.zeros_like(error), band=False)
            error = error - exact.tilt_rad
        return ConnectionTable(
            inputs, outputs, losses, found.tilt_rad, found.path_m, found.incidence_rad, band_db,
            self.wavelengths_nm, error, aimed.probes,
        )  # fmt: skip

    def _as_runs_have_it(self, inputs: Ports, outputs: Ports) -> ConnectionTable:
        """Return the table of a perfect, perfectly aimed switch: what `run` takes for aligned."""
        found = links(self.switch, self.seed, inputs, outputs)
        lost, aims = found.losses, found.connections
        zero = np.zeros(len(inputs))
        losses = np.stack([
            lost.connectors_db, lost.collimators_db, lost.combiners_db, lost.reflectivity_db,
            lost.clipping_db, lost.mode_db, lost.curvature_db, zero,
        ])  # fmt: skip
        return ConnectionTable(
            inputs, outputs, losses, np.concatenate([aims.tilt_a_rad, aims.tilt_b_rad], axis=1),
            aims.path_m, np.stack([aims.incidence_a_rad, aims.incidence_b_rad], axis=1),
            np.sum(losses, axis=0)[:, None], self.wavelengths_nm, np.zeros((len(inputs), 4)), 0,
        )  # fmt: skip


def joined(parts: Iterable[ConnectionTable], count: int) -> ConnectionTable:
    """Return one table of all rows, `count` in all, each part copied when it comes."""
    whole: dict[str, Any] = {}
    done = 0
    for part in parts:
        fields = part._asdict()
        # Rows are along the first axis, of losses along the last; the rest is the same in all.
        losses = fields.pop("losses_db")
        arrays = {name: f for name, f in fields.items() if isinstance(f, np.ndarray)}
        if not whole:
            whole = fields | {name: np.empty((count, *f.shape[1:]), f.dtype)
                              for name, f in arrays.items()}  # fmt: skip
            whole["losses_db"] = np.empty((len(losses), count))
        rows = slice(done, done + len(part.inputs))
        whole["losses_db"][:, rows] = losses
        for name, field in arrays.items():
            whole[name][rows] = field
        done = rows.stop
    if done != count:
        raise ValueError(f"rows of all parts must be {count}, got {done}")
    return ConnectionTable(**whole)


def highest(columns: Iterable[Array]) -> Array:
    """Return the largest (C,) of each row, from columns (C,): quicker than along short rows."""
    return reduce(np.maximum, columns)
