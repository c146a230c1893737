"""Losses at the end of a life, connection by connection."""

from typing import Final, NamedTuple

import numpy as np

from sim.foundations.ports import Array
from sim.mirror.population import MirrorParams
from sim.optics.jitter import jitter_loss_db
from sim.optics.links import design_form
from sim.optics.switch import SwitchParams, budget_of
from sim.studies.connections.aim import Aimed
from sim.studies.connections.coupler import Ports
from sim.studies.connections.life import EndOfLife, draw_life
from sim.studies.connections.table import CONTRIBUTORS, ConnectionTable, Maker, highest

WORDS: Final = {
    "connectors": "connectors mated anew, and their wear",
    "ageing": "ageing of mirrors, collimators and combiners",
    "shift": "shifts that no camera sees, temperature",
    "servo": "the loops' residual error, for the stated share of the time",
    "band": "worst of the data band, over the data wavelength",
}
"""What the years add, in this order; the last is there when new, too."""


class ShiftedSwitch(NamedTuple):
    """A switch whose beams have shifted, through L lives."""

    shift_rad: Array
    """(L, C, 4) as tilt, Ax, Ay, Bx, By. [rad]"""
    table: ConnectionTable
    """Of L C rows, a life after the other."""


class New(NamedTuple):
    """One switch when new."""

    maker: Maker
    aimed: Aimed
    table: ConnectionTable
    moved: ShiftedSwitch | None = None
    """The same with its beams shifted, for lives that shift them just so."""

    @property
    def worst_db(self) -> Array:
        """(C,) largest insertion loss over the data wavelength and the band's edges. [dB]"""
        return worst_over_band(self.table)


class Late(NamedTuple):
    """The same switch at the end of one life, or of several (...)."""

    db: Array
    """(..., C) insertion loss for the stated share of the time, worst of the band. [dB]"""
    mean_db: Array
    """(..., C) at the data wavelength, on the mean over time. [dB]"""
    added_db: Array
    """(5, ..., C) what the years have added, by `WORDS`. [dB]"""


class Years:
    """What all lives of all switches of one design share: the connections, and their forms."""

    def __init__(
        self, switch: SwitchParams, mirror: MirrorParams, chosen: Ports | None = None
    ) -> None:
        """Prepare.

        Parameters
        ----------
        switch, mirror
            As the scenario has them.
        chosen : (C,) ndarray of int, optional
            Numbers of the connections looked at, row by row of inputs; all of them if left out.

        Raises
        ------
        ScenarioError
            If there is no budget.
        """
        self.budget = budget_of(switch, "the end of a life")
        self.switch, self.mirror = switch, mirror
        self.ports = (switch.geometry.ports_per_side, switch.geometry.outputs)
        every = np.arange(self.ports[0] * self.ports[1]) if chosen is None else chosen
        self.inputs, self.outputs = np.divmod(every, self.ports[1])
        self.form_db = design_form(switch, self.inputs, self.outputs)

    def new(self, seed: int) -> New:
        """Return the switch of a population's seed, when new."""
        maker = Maker(self.switch, self.mirror, seed, edges_alone=True)
        aimed = maker.aimed(self.inputs, self.outputs)
        return New(maker, aimed, maker.table(self.inputs, self.outputs, aimed))

    def drawn(self, seed: int, life: int | Ports) -> EndOfLife:
        """Return what becomes of the parts of a population's switch."""
        return draw_life(self.budget, self.switch.optics, seed, self.ports, life)

    def late(self, new: New, life: int | Ports = 0) -> Late:
        """Return a switch at the end of one of its lives, or of several (L,)."""
        table, drawn = new.table, self.drawn(new.maker.seed, life)
        shift = self._shift_rad(drawn)
        lives = shift.shape[:-2]
        later = _moved(new, shift.reshape(-1, len(self.inputs), 4)).table
        still = later.insertion_db.reshape(*lives, -1)
        mean, servo = jitter_loss_db(
            self.form_db, table.error_rad + shift, 1e-6 * self.budget.servo_urad,
            self.budget.servo_share,
        )  # fmt: skip
        ageing, connectors = self.by_ports(drawn, table)
        band = worst_over_band(later).reshape(*lives, -1) - still
        added = np.stack([connectors, ageing, still - table.insertion_db, servo, band])
        still = still + ageing + connectors
        return Late(still + servo + band, still + mean, added)

    def moved(self, new: New, life: int) -> New:
        """Return a new switch that knows what the shifts of one of its lives make of it."""
        shift = self._shift_rad(self.drawn(new.maker.seed, life))
        return new._replace(moved=_moved(new, shift[None]))

    def _shift_rad(self, drawn: EndOfLife) -> Array:
        """Return the shifts (..., C, 4) of each connection's mirrors."""
        a, b = drawn.shift_rad
        return np.concatenate([a[..., self.inputs, :], b[..., self.outputs, :]], axis=-1)

    def by_ports(self, drawn: EndOfLife, table: ConnectionTable) -> tuple[Array, Array]:
        """Return what ageing, and connectors mated anew, add to connections (..., C). [dB]"""
        inputs, outputs = table.inputs, table.outputs
        ageing = drawn.gained_db[0][..., inputs] + drawn.gained_db[1][..., outputs]
        first, second = drawn.connector_db
        if first is None or second is None:
            return ageing, np.zeros_like(ageing)
        was = table.losses_db[CONTRIBUTORS.index("connectors")]
        return ageing, first[..., inputs] + second[..., outputs] - was


def _moved(new: New, shift_rad: Array) -> ShiftedSwitch:
    """Return the tables, one after another, of a switch whose beams have shifted (L, C, 4)."""
    if new.moved is not None and np.array_equal(new.moved.shift_rad, shift_rad):
        return new.moved
    lives = len(shift_rad)
    tilts = (new.aimed.change_rad + shift_rad).reshape(-1, 4)
    aimed = Aimed(tilts, new.aimed.from_rest, new.aimed.probes)
    inputs, outputs = new.table.inputs, new.table.outputs
    return ShiftedSwitch(
        shift_rad, new.maker.table(np.tile(inputs, lives), np.tile(outputs, lives), aimed)
    )


def worst_over_band(table: ConnectionTable) -> Array:
    """Return the largest insertion loss (C,) over all wavelengths of a table. [dB]"""
    return highest(table.band_db.T)
