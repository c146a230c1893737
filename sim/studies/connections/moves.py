"""The way of all mirrors from one wiring to the next, and the light in wrong outputs on it."""

from collections.abc import Callable
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.errors import ScenarioError
from sim.optics.crosstalk import NIL_DB, Pairs, crosstalk_db, pair_rays
from sim.optics.switch import wire
from sim.ports import Array
from sim.scenario.model import Scenario
from sim.studies.connections.coupler import Ports
from sim.studies.connections.table import Maker

LOOKED_AT: Final = 96
"""Outputs into which crosstalk is worked out; evenly chosen in a larger switch."""
MOVE_PITCHES: Final = 1.2


class Connected(NamedTuple):
    """Which input is connected with which output, before or after a move."""

    inputs: Ports
    outputs: Ports


def wirings(scenario: Scenario) -> list[Connected]:
    """Return the connections at the start, and after each move."""
    switch = scenario.switch
    ports = (switch.geometry.ports_per_side, switch.geometry.outputs)
    plans = [switch.connections, *(move.connections for move in switch.moves)]
    return [Connected(*wire(p, ports, scenario.seed, n, "switch")) for n, p in enumerate(plans)]


def same_outputs(wired: list[Connected]) -> bool:
    """Whether there is a move, and it uses the outputs that were used before."""
    return len(wired) > 1 and set(wired[0].outputs.tolist()) == set(wired[1].outputs.tolist())


class Found(NamedTuple):
    """The strongest light in a wrong output."""

    worst_db: float
    beam: int | None
    victim: int | None
    sum_db: float


class Path(NamedTuple):
    """A move of all connections."""

    maker: Maker
    inputs: Ports
    outputs: Ports
    """In the order of their old connections."""
    new_of: NDArray[np.int64]
    """(C,) place in `outputs` of each input's new output."""
    start: Array
    """(C, 4) tilts of each input's mirror, and of each output's. [rad]"""
    end: Array

    @classmethod
    def between(cls, maker: Maker, old: Connected, new: Connected) -> "Path":
        """Return the move from one wiring to another of the same inputs and outputs.

        Raises
        ------
        ScenarioError
            If other outputs are used after the move.
        """
        place = {int(port): n for n, port in enumerate(old.outputs)}
        if set(map(int, new.outputs)) != set(place):
            raise ScenarioError(
                "switch.moves.0.connections: crosstalk of a move needs the same outputs before "
                "and after"
            )
        new_of = np.array([place[int(port)] for port in new.outputs])
        start = aims_of(maker, old.inputs, old.outputs)
        aims = aims_of(maker, new.inputs, new.outputs)
        end = np.empty_like(start)
        end[:, :2] = aims[:, :2]
        end[new_of, 2:] = aims[:, 2:]
        return cls(maker, old.inputs, old.outputs, new_of, start, end)

    def at(self, share_a: float, share_b: float) -> Array:
        """Return the tilts (C, 4) at shares of the way of mirrors A and B."""
        return self.staged(np.full((len(self.inputs), 2), share_a), share_b)

    def staged(self, shares_a: Array, share_b: float) -> Array:
        """Return the tilts (C, 4) with each axis of mirrors A at its own share (C, 2)."""
        share = np.concatenate([shares_a, np.full((len(self.inputs), 2), share_b)], axis=1)
        return self.start + share * (self.end - self.start)

    def worst(self, tilts: Array) -> Found:
        """Return the largest crosstalk with tilts (C, 4); old and new output are a beam's own."""
        return worst_into(
            self.maker, self.inputs, self.outputs, tilts, looked_at(len(self.inputs)), MOVE_PITCHES,
            self.wrong,
        )  # fmt: skip

    def wrong(self, beams: Ports, victims: Ports) -> NDArray[np.bool_]:
        """Return which beams have no business in which outputs."""
        return np.asarray((beams != victims) & (self.new_of[beams] != victims))


def looked_at(count: int) -> NDArray[np.int64]:
    """Return the outputs into which crosstalk is worked out, of those in use."""
    return np.arange(min(count, LOOKED_AT)) * count // min(count, LOOKED_AT)


def strongest(path: Path, tilts: Array, beams: Ports) -> Array:
    """Return the least loss (B,) of some beams into any wrong output, with tilts (C, 4). [dB]"""
    found = np.full(len(path.inputs), NIL_DB)
    pairs, loss = losses_into(
        path.maker, path.inputs, path.outputs, tilts, looked_at(len(path.inputs)), MOVE_PITCHES,
        path.wrong, beams,
    )  # fmt: skip
    np.minimum.at(found, pairs.beams, loss)
    return np.asarray(found[beams])


def aims_of(maker: Maker, inputs: Ports, outputs: Ports) -> Array:
    """Return the tilts (C, 4) that aim connections exactly. [rad]"""
    none = np.zeros((len(inputs), 4))
    return maker.coupler.couple(inputs, outputs, none, band=False).tilt_rad.copy()


def losses_into(
    maker: Maker, inputs: Ports, outputs: Ports, tilts: Array, victims: NDArray[np.int64],
    pitches: float, wrong: Callable[[Ports, Ports], NDArray[np.bool_]],
    beams: Ports | None = None,
) -> tuple[Pairs, Array]:  # fmt: skip
    """Return beams that land near mirrors of wrong outputs, and their losses into those. [dB]"""
    beams = np.arange(len(inputs)) if beams is None else beams
    v, b = (a.ravel() for a in np.meshgrid(victims, beams, indexing="ij"))
    keep = wrong(b, v)
    pairs = Pairs(b[keep], v[keep])
    rays = pair_rays(maker.built, inputs, outputs, tilts, pairs)
    near = np.hypot(*rays.on_b.centre_m) < pitches * maker.geometry.pitch_m
    pairs = Pairs(pairs.beams[near], pairs.victims[near])
    if not near.any():
        return pairs, np.empty(0)
    rays = pair_rays(maker.built, inputs, outputs, tilts, pairs)
    return pairs, crosstalk_db(rays, maker.switch.optics, maker.geometry.waist_to_receiver_m)


def worst_into(
    maker: Maker, inputs: Ports, outputs: Ports, tilts: Array, victims: NDArray[np.int64],
    pitches: float, wrong: Callable[[Ports, Ports], NDArray[np.bool_]],
) -> Found:  # fmt: skip
    """Return the largest crosstalk into some outputs, from beams that land near their mirrors."""
    pairs, loss = losses_into(maker, inputs, outputs, tilts, victims, pitches, wrong)
    if not len(loss):
        return Found(NIL_DB, None, None, NIL_DB)
    p = int(loss.argmin())
    total = np.bincount(pairs.victims, 10.0 ** (-0.1 * loss))
    return Found(
        float(loss[p]), int(inputs[pairs.beams[p]]), int(outputs[pairs.victims[p]]),
        float(-10.0 * np.log10(total.max())),
    )  # fmt: skip
