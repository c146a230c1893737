"""The way of all mirrors from one wiring to the next."""

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.foundations.ports import Array
from sim.optics.switch import wire
from sim.scenario.model import Scenario
from sim.studies.connections.coupler import Ports
from sim.studies.connections.table import Maker


class Connected(NamedTuple):
    """Which input is connected with which output, before or after a move."""

    inputs: Ports
    outputs: Ports


class Tilts(NamedTuple):
    """Where mirrors stand at one instant."""

    a_rad: Array
    """(C, 2) mirrors A of the inputs."""
    b_rad: Array
    """(V, 2) mirrors B of the outputs."""


Leg = Callable[[float], Tilts]
"""Tilts at a share, 0 to 1, of one stage of a move."""


def wirings(scenario: Scenario) -> list[Connected]:
    """Return the connections at the start, and after each move."""
    switch = scenario.switch
    ports = (switch.geometry.ports_per_side, switch.geometry.outputs)
    plans = [switch.connections, *(move.connections for move in switch.moves)]
    seed = scenario.seeds.connections
    return [Connected(*wire(p, ports, seed, n, "switch")) for n, p in enumerate(plans)]


class Path(NamedTuple):
    """A move of C connections among V outputs."""

    maker: Maker
    inputs: Ports
    """(C,) that are connected."""
    outputs: Ports
    """(V,) that are connected before the move or after it."""
    old_of: NDArray[np.int64]
    """(C,) place in `outputs` of each input's old output."""
    new_of: NDArray[np.int64]
    """(C,) of its new one."""
    start: Tilts
    end: Tilts

    @classmethod
    def between(cls, maker: Maker, old: Connected, new: Connected) -> "Path":
        """Return the move from one wiring to another of the same inputs.

        Mirrors B that are not in use before are at rest then, as in a run; those that are not in
        use after it stay where they are.
        """
        outputs = np.union1d(old.outputs, new.outputs)
        old_of, new_of = (np.searchsorted(outputs, w.outputs) for w in (old, new))
        start, end = (aims_of(maker, w.inputs, w.outputs) for w in (old, new))
        rest = np.zeros((len(outputs), 2))
        rest[old_of] = start.b_rad
        after = rest.copy()
        after[new_of] = end.b_rad
        return cls(
            maker, old.inputs, outputs, old_of, new_of, Tilts(start.a_rad, rest),
            Tilts(end.a_rad, after),
        )  # fmt: skip

    def at(self, share_a: float | Array, share_b: float | Array) -> Tilts:
        """Return the tilts at shares of the way, of mirrors A and B or of each of their axes."""
        a, b = (
            first + share * (last - first)
            for share, first, last in zip((share_a, share_b), self.start, self.end, strict=True)
        )
        return Tilts(a, b)


def aims_of(maker: Maker, inputs: Ports, outputs: Ports) -> Tilts:
    """Return the tilts that aim connections exactly, one of each array for each. [rad]"""
    none = np.zeros((len(inputs), 4))
    aims = maker.coupler.couple(inputs, outputs, none, band=False).tilt_rad
    return Tilts(aims[:, :2].copy(), aims[:, 2:].copy())
