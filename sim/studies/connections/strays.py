"""Light in wrong outputs: standing, and over the whole way of a move.

While mirrors turn, a beam crosses wrong mirrors for a moment each. Such a moment is found from the
closed form without edges, however weak that is there, at instants so close that no beam moves on by
more than a quarter of its radius, and no mode turns by more than a quarter of its divergence. What
counts is then worked out with both edges: at those moments, and at even instants.
"""

from collections.abc import Callable
from itertools import pairwise
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.foundations.ports import Array
from sim.optics.crosstalk import NIL_DB, Pairs, crosstalk_db, pair_rays
from sim.optics.links import light_of
from sim.optics.overlap import coupled
from sim.optics.rays import Rays, trace
from sim.studies.connections.coupler import Ports
from sim.studies.connections.moves import Leg, Path, Tilts
from sim.studies.connections.near import Near
from sim.studies.connections.table import Maker

LOOKED_AT: Final = 96
"""Outputs into which crosstalk is worked out; evenly chosen in a larger switch."""
MOVE_PITCHES: Final = 1.2
"""A beam that lands this near to a wrong mirror is looked at while mirrors turn."""
EVEN_STEPS: Final = 20
"""Of a stage, at whose ends the light is worked out with both edges in any case."""
STEP_WIDTHS: Final = 0.25
"""By how much a beam or a mode may go on between two instants, in its own radius or divergence."""
MOST_STEPS: Final = 4000
INSTANTS_AT_ONCE: Final = 8
"""Instants that are looked at in one go."""
POLISH: Final = 9
WIDTHS: Final = (2.0, 0.4)
"""The brightest moments are searched with so many instants this many steps to either side."""
MOST_CLIMBS: Final = 40
"""Times that a beam may be followed beyond the end of what was searched so."""
BRIGHT_DB: Final = 6.0
"""Beams within this of the strongest, or of a loss that is enough, are searched so. [dB]"""


class Found(NamedTuple):
    """The strongest light in a wrong output."""

    worst_db: float
    beam: int | None
    """Input port."""
    victim: int | None
    """Output port."""
    sum_db: float
    """Of all beams in one output, at that instant."""


class Least(NamedTuple):
    """What each of C beams puts into wrong outputs over a stage, where it puts most."""

    loss_db: Array
    """(C,) [dB]"""
    victims: NDArray[np.int64]
    """(C,) place of the output."""
    shares: Array
    """(C,) of the stage."""
    instants: int
    """Looked at."""


class Strays:
    """Beams of a move, and the outputs into which they are looked for."""

    def __init__(
        self, path: Path, beams: Ports | None = None, victims: Ports | None = None
    ) -> None:
        """Choose beams and outputs, by their places; if left out, all beams, and `looked_at`."""
        self.path, self.maker = path, path.maker
        self.beams = np.arange(len(path.inputs)) if beams is None else beams
        self.victims = looked_at(len(path.outputs)) if victims is None else victims
        reach_m = MOVE_PITCHES * self.maker.geometry.pitch_m
        self._near = Near(self.maker, path.inputs, path.outputs, self.victims, reach_m)

    def worst(self, tilts: Tilts) -> Found:
        """Return the strongest light in a wrong output at one instant."""
        pairs = self._pairs(tilts)
        return found_of(self.maker, self.path.inputs, self.path.outputs, tilts, pairs)

    def over(self, leg: Leg, enough_db: float = np.inf, *, strongest_alone: bool = False) -> Least:
        """Return what each beam puts into wrong outputs over a stage.

        Losses that are no less than `enough_db` need not be known: for those it may be infinite;
        with `strongest_alone`, nor those that are no less than the strongest beam's.
        """
        return self._over(leg, enough_db, strongest_alone, each_pair=False)

    def of_pairs(self, leg: Leg, enough_db: float) -> Array:
        """Return the least loss (C, V) of each beam into each wrong output over a stage. [dB]

        Infinite where it is no less than `enough_db`, and for what is not looked at.
        """
        loss = self._over(leg, enough_db, strongest_alone=False, each_pair=True).loss_db
        loss = loss.reshape(len(self.path.inputs), len(self.path.outputs))
        return np.where(loss < enough_db, loss, np.inf)

    def _over(self, leg: Leg, enough_db: float, strongest_alone: bool, each_pair: bool) -> Least:
        """Search a stage: of every beam its brightest output, or every pair of both (C V,)."""
        wide = len(self.path.outputs) if each_pair else 1
        count = len(self.path.inputs) * wide
        best = np.full(count, np.inf)
        victim, share = np.zeros(count, np.int64), np.zeros(count)

        def place(pairs: Pairs) -> NDArray[np.int64]:
            return pairs.beams * wide + pairs.victims if each_pair else pairs.beams

        def put(pairs: Pairs, at: Array, loss: Array) -> None:
            order = np.argsort(-loss, kind="stable")  # the strongest of a place is written last
            order = order[loss[order] < best[place(pairs)[order]]]
            here = place(pairs)[order]
            best[here], victim[here], share[here] = loss[order], pairs.victims[order], at[order]

        even = np.linspace(0.0, 1.0, EVEN_STEPS + 1)
        for at in even:
            pairs = self._pairs(leg(float(at)))
            if len(pairs.beams):
                times = np.full(len(pairs.beams), at)
                put(pairs, times, self._edged(pairs, leg, times, enough_db + BRIGHT_DB))
            if strongest_alone:
                enough_db = min(enough_db, float(best.min()))
        steps = self._steps([leg(float(at)) for at in even])
        fine = np.linspace(0.0, 1.0, steps + 1)
        pairs, at = self._moments(leg, fine)
        if len(at):
            put(pairs, at, self._edged(pairs, leg, at, enough_db + BRIGHT_DB))
        # All whose loss is wanted, or the strongest alone, are followed to their brightest.
        known_db = float(best.min())
        if not strongest_alone:
            known_db = max(known_db, enough_db)
        for width in WIDTHS:
            climbing = np.flatnonzero(np.isfinite(best) & (best <= known_db + BRIGHT_DB))
            for _ in range(MOST_CLIMBS):
                if not climbing.size:
                    break
                beside = np.linspace(-width, width, POLISH) / steps
                was = share[climbing].copy()
                times = np.clip(was[:, None] + beside, 0.0, 1.0).ravel()
                both = Pairs(
                    np.repeat(climbing // wide, POLISH), np.repeat(victim[climbing], POLISH)
                )
                put(both, times, self._edged(both, leg, times, np.inf))
                # At an end of what was looked at, it may be brighter still beyond.
                climbing = climbing[np.abs(share[climbing] - was) > 0.99 * width / steps]
        return Least(best, victim, share, steps + 1)

    def _pairs(self, tilts: Tilts) -> Pairs:
        """Return which beams land near mirrors of wrong outputs."""
        beams, victims = self._near.of(tilts.a_rad, self.beams)
        wrong = (self.path.old_of[beams] != victims) & (self.path.new_of[beams] != victims)
        return Pairs(beams[wrong], victims[wrong])

    def _edged(self, pairs: Pairs, leg: Leg, times: Array, enough_db: float) -> Array:
        """Return the loss of pairs, each at an instant of its own. [dB]"""
        instants, owner = np.unique(times, return_inverse=True)
        rays = self._rays(pairs, [leg(float(t)) for t in instants], owner)
        optics, middle_m = self.maker.switch.optics, self.maker.geometry.waist_to_receiver_m
        return crosstalk_db(rays, optics, middle_m, enough_db=enough_db)

    def _rays(self, pairs: Pairs, tilts: list[Tilts], owner: NDArray[np.int64]) -> Rays:
        """Return the rays of pairs, each with the tilts that are its own."""
        a = np.stack([t.a_rad for t in tilts])[owner, pairs.beams]
        b = np.stack([t.b_rad for t in tilts])[owner, pairs.victims]
        ports = (self.path.inputs[pairs.beams], self.path.outputs[pairs.victims])
        return trace(self.maker.built, *ports, a.T, b.T)

    def _steps(self, tilts: list[Tilts]) -> int:
        """Return into how many steps a stage is cut, from tilts along it."""
        optics = self.maker.switch.optics
        wide_m = 1e-6 * min(optics.waist_um, optics.receiving_waist_um)
        diverging_rad = 1e-9 * optics.data_wavelength_nm / (np.pi * wide_m)
        chosen = [t.a_rad[self.beams] for t in tilts]
        landed = [self._near.landed_m(a, self.beams) for a in chosen]
        moved_m = np.sum([np.linalg.norm(n - m, axis=0) for m, n in pairwise(landed)], axis=0)
        ways = [2.0 * np.hypot(*(n.b_rad - m.b_rad).T) for m, n in pairwise(tilts)]
        turned = np.sum(ways, axis=0)
        far = max(moved_m.max(initial=0.0) / wide_m, turned.max(initial=0.0) / diverging_rad)
        return int(np.clip(np.ceil(far / STEP_WIDTHS), EVEN_STEPS, MOST_STEPS))

    def _moments(self, leg: Leg, fine: Array) -> tuple[Pairs, Array]:
        """Return moments at which a beam crosses a wrong mirror that looks at it.

        Of each beam and output, each instant that is brighter than those before and after it by the
        closed form without edges. How bright it is by that form is no matter: edges can make 60 dB
        of 200 dB where a beam arrives as the mode looks, but beside it.
        """
        kept_pairs, kept_at = [], []
        width = len(self.path.outputs)
        for first in range(0, len(fine), INSTANTS_AT_ONCE):
            times = fine[first : first + INSTANTS_AT_ONCE]
            tilts = [leg(float(t)) for t in times]
            each = [self._pairs(t) for t in tilts]
            pairs = Pairs(*(np.concatenate(parts) for parts in zip(*each, strict=True)))
            if not len(pairs.beams):
                continue
            owner = np.repeat(np.arange(len(times)), [len(p.beams) for p in each])
            rays = self._rays(pairs, tilts, owner)
            inputs, outputs = self.path.inputs[pairs.beams], self.path.outputs[pairs.victims]
            light = light_of(self.maker.built, self.maker.switch.optics, inputs, outputs)
            with np.errstate(all="ignore"):  # a ray that misses by far need not be a number
                loss = coupled(rays, light, edges=False).total_db
            keep = np.isfinite(loss)
            kept_pairs.append(np.stack([pairs.beams[keep], pairs.victims[keep], loss[keep]]))
            kept_at.append(times[owner[keep]])
        if not kept_at:
            return Pairs(np.empty(0, np.int64), np.empty(0, np.int64)), np.empty(0)
        (beams, victims, loss), at = np.concatenate(kept_pairs, axis=1), np.concatenate(kept_at)
        # The darker neighbours of a moment are left out: pair by pair, in order of time.
        number = (beams * width + victims).astype(np.int64)
        order = np.lexsort((at, number))
        number, loss, at = number[order], loss[order], at[order]
        step = 1.5 * (fine[1] - fine[0])
        beside = (number[1:] == number[:-1]) & (at[1:] - at[:-1] < step)
        least = np.ones(len(at), bool)
        least[1:] &= ~(beside & (loss[1:] >= loss[:-1]))
        least[:-1] &= ~(beside & (loss[:-1] > loss[1:]))
        beams, victims = np.divmod(number[least], width)
        return Pairs(beams, victims), at[least]


def looked_at(count: int) -> NDArray[np.int64]:
    """Return the outputs into which crosstalk is worked out, of those in use."""
    return np.arange(min(count, LOOKED_AT)) * count // min(count, LOOKED_AT)


def found_of(maker: Maker, inputs: Ports, outputs: Ports, tilts: Tilts, pairs: Pairs) -> Found:
    """Return the strongest light of pairs at one instant."""
    if not len(pairs.beams):
        return Found(NIL_DB, None, None, NIL_DB)
    rays = pair_rays(maker.built, inputs, outputs, tilts, pairs)
    loss = crosstalk_db(rays, maker.switch.optics, maker.geometry.waist_to_receiver_m)
    p = int(loss.argmin())
    total = np.bincount(pairs.victims, 10.0 ** (-0.1 * loss))
    return Found(
        float(loss[p]), int(inputs[pairs.beams[p]]), int(outputs[pairs.victims[p]]),
        float(-10.0 * np.log10(total.max())),
    )  # fmt: skip


def strongest(
    path: Path, legs: list[Leg], done: Callable[[int], None] | None = None
) -> tuple[Found, int]:
    """Return the strongest light in a wrong output over the stages of a move, and the instants."""
    strays, instants = Strays(path), 0
    worst = Found(NIL_DB, None, None, NIL_DB)
    for number, leg in enumerate(legs):
        least = strays.over(leg, worst.worst_db, strongest_alone=True)
        instants += least.instants
        beam = int(least.loss_db.argmin())
        if least.loss_db[beam] < worst.worst_db:
            worst = strays.worst(leg(float(least.shares[beam])))
        if done is not None:
            done(number)
    return worst, instants
