"""Where beams of mirrors that leave their aim pass others, and how much light they leave there."""

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.foundations.ports import Array
from sim.optics.build_errors import BuiltSwitch
from sim.optics.crosstalk import crosstalk_db, least_db
from sim.optics.params import OpticsParams
from sim.optics.rays import Rays, trace

PASSAGES_AT_ONCE: Final = 64
"""Passages that are worked out before the next ones are looked at."""
MOST: Final = 1024
"""Passages that are worked out at most."""
STEP_RAD: Final = 2.5e-4
"""A mirror is looked at anew when it has turned by this much: a beam has gone some 60 um."""
FINEST: Final = 64
"""Instants between two samples, at most."""
MOST_INSTANTS: Final = 300
"""Instants that are looked at, at most."""


class Passage(NamedTuple):
    """The strongest of all passages."""

    beam: int
    """Connection whose beam it is."""
    victim: int
    """Connection in whose output its light arrives."""
    row: float
    """When: sample, and part of the way to the next."""
    crosstalk_db: float
    """How much less light arrives than the beam has. [dB]"""
    at_least: bool
    """Whether there were too many passages to work all of them out: another may be stronger."""


def strongest_passage(
    built: BuiltSwitch, optics: OpticsParams, inputs: NDArray[np.int64],
    outputs: NDArray[np.int64], tilt_rad: Array, beams: NDArray[np.int64],
    victims: NDArray[np.int64],
) -> Passage | None:  # fmt: skip
    """Return where beams leave most light in outputs that they pass.

    Between samples a mirror is taken to turn evenly. Instants are worked out in the order of what
    they lose at least (`sim.optics.crosstalk.least_db`), until no other can be stronger.

    Parameters
    ----------
    built : BuiltSwitch
        The switch.
    optics : OpticsParams
        Its light.
    inputs, outputs : (C,) ndarray of int
        Ports of the connections.
    tilt_rad : (T, C, 4) ndarray
        Tilts (Ax, Ay, Bx, By) of each at T samples. [rad]
    beams, victims : ndarray of int
        Connections whose beams wander, and those whose outputs they may reach.

    Returns
    -------
    Passage or None
        None without any beam, victim or sample.
    """
    if not (len(beams) and len(victims) and len(tilt_rad)):
        return None
    found = _Passages(built, optics, inputs, outputs, tilt_rad)
    rows = _instants(found, beams)
    beam, victim, row, bound_db = _bounds(found, rows, beams, victims)
    order = np.argsort(bound_db, kind="stable")
    best: tuple[float, int] = (np.inf, -1)
    done = 0
    while done < min(len(order), MOST) and bound_db[order[done]] < best[0]:
        now = order[done : done + PASSAGES_AT_ONCE]
        rays = found.rays(row[now], beam[now], victim[now])
        loss = crosstalk_db(rays, optics, found.middle_m)
        at = int(loss.argmin())
        best = min(best, (float(loss[at]), int(now[at])))
        done += PASSAGES_AT_ONCE
    loss_db, which = best
    left = done < len(order) and bound_db[order[done]] < loss_db
    return Passage(int(beam[which]), int(victim[which]), float(row[which]), loss_db, bool(left))


class _Passages(NamedTuple):
    """Connections on their way, at any time between samples."""

    built: BuiltSwitch
    optics: OpticsParams
    inputs: NDArray[np.int64]
    outputs: NDArray[np.int64]
    tilt_rad: Array
    """(T, C, 4)"""

    @property
    def middle_m(self) -> float:
        return self.built.geometry.waist_to_receiver_m

    def tilts(self, row: Array, which: NDArray[np.int64], part: slice) -> Array:
        """Return the tilts (P, 2) of connections at parts of samples (P,)."""
        low = np.minimum(row.astype(np.int64), max(len(self.tilt_rad) - 2, 0))
        high, share = np.minimum(low + 1, len(self.tilt_rad) - 1), (row - low)[:, None]
        return np.asarray(
            (1 - share) * self.tilt_rad[low, which, part] + share * self.tilt_rad[high, which, part]
        )

    def rays(self, row: Array, beam: NDArray[np.int64], victim: NDArray[np.int64]) -> Rays:
        """Return the rays of beams carried on to the mirrors of victims."""
        tilt_a = self.tilts(row, beam, slice(0, 2))
        tilt_b = self.tilts(row, victim, slice(2, 4))
        sent, taken = self.inputs[beam], self.outputs[victim]
        return trace(self.built, sent, taken, tilt_a.T, tilt_b.T)


def _instants(found: _Passages, beams: NDArray[np.int64]) -> Array:
    """Return the instants (R,), in samples, at which beams are looked at: close where they move."""
    moved = np.abs(np.diff(found.tilt_rad[:, beams, :2], axis=0)).max(axis=(1, 2), initial=0.0)
    pieces = np.clip(np.ceil(moved / STEP_RAD), 0, FINEST).astype(np.int64)
    rows = np.concatenate([k + np.arange(n) / n for k, n in enumerate(pieces) if n] or [[0.0]])
    rows = np.append(rows, len(found.tilt_rad) - 1.0)
    return rows if len(rows) <= MOST_INSTANTS else rows[:: -(-len(rows) // MOST_INSTANTS)]


def _bounds(
    found: _Passages, rows: Array, beams: NDArray[np.int64], victims: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.int64], Array, Array]:
    """Return beam, victim, instant, and what is lost at least, of all; the hopeless left out."""
    parts = []
    for b in beams:
        row = np.repeat(rows, len(victims))
        victim = np.tile(victims, len(rows))
        beam = np.full(len(row), b)
        bound_db = least_db(found.rays(row, beam, victim), found.optics, found.middle_m)
        keep = np.argsort(bound_db, kind="stable")[:MOST]
        parts.append((beam[keep], victim[keep], row[keep], bound_db[keep]))
    beam, victim, row, bound_db = (np.concatenate(each) for each in zip(*parts, strict=True))
    return beam, victim, row, bound_db
