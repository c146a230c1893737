"""The linear plant of a built scenario: its true mirrors, about where they stand."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from controllers.analysis import Plant, population_plant
from sim.assembly.belief import believed_plant
from sim.assembly.build import Built
from sim.foundations.ports import Array, PlantBelief


def plant_belief(built: Built) -> PlantBelief:
    """Return timing and believed mirror of a run, as its controller knows them.

    Read from the scenario again, because an outside controller need not keep it.

    Parameters
    ----------
    built : Built
        The scenario, built.

    Returns
    -------
    PlantBelief
        Times in s, resonances in rad/s.
    """
    parts = built.parts
    return believed_plant(built.resolved, parts.clock, parts.latency_ticks, parts.drive.lag_s)


def delay_of(built: Built) -> Array:
    """Return the time (M, 2) from a frame's start until its correction acts, as it is. [s]"""
    return np.asarray(built.parts.delay_ticks * built.parts.clock.tick_s)


def stiffening_of(built: Built) -> Array:
    """Return the slope (M, 2) of the spring's torque at the last aims, over that at rest. [-]"""
    cubic = np.array(built.resolved.mirror.cubic_per_rad2)
    return 1.0 + 3.0 * cubic * built.parts.epochs[-1].aim_rad ** 2


def plant_word(built: Built) -> str:
    """Return which plant figures of a scenario are from.

    `stiffened`: springs as they are at the last aims; `small-signal`: as at rest, where that is the
    same for all.
    """
    return "small-signal" if (stiffening_of(built) == 1.0).all() else "stiffened"


class TrueMirrors(NamedTuple):
    """True mirrors, a row each: those of a switch, some of them, or others in their places."""

    place: NDArray[np.intp]
    """(R,) in the fleet: whose aim, path and alignment a row has."""
    resonance_rad_s: Array
    """(R, 2), as all below. [rad/s]"""
    quality: Array
    gain: Array
    """True over believed tilt. [-]"""
    cross: Array
    delay_s: Array
    """From a frame's start until its correction acts. [s]"""

    def part(self, rows: slice) -> "TrueMirrors":
        """Return some of the rows."""
        return TrueMirrors(
            self.place[rows], self.resonance_rad_s[rows], self.quality[rows], self.gain[rows],
            self.cross[rows], self.delay_s[rows],
        )  # fmt: skip


def present_mirrors(built: Built, place: NDArray[np.intp] | None = None) -> TrueMirrors:
    """Return mirrors of a switch as they are, those at some places or all."""
    p = built.parts.population
    at = np.arange(len(built.parts.mirrors)) if place is None else place
    return TrueMirrors(
        at, p.resonance_rad_s[at], p.quality[at], 1.0 / p.calibration_ratio[at],
        np.broadcast_to(p.cross_axis, p.quality.shape)[at],
        np.broadcast_to(delay_of(built), p.quality.shape)[at],
    )  # fmt: skip


def plant_of(built: Built, mirrors: TrueMirrors | None = None, *, within: bool = True) -> Plant:
    """Return the plant of a built scenario, linear about the aims of its last connections.

    Included: each mirror's own resonance, quality factor, calibration error and cross-axis
    coupling, the stiffer spring at its aim, amplifier, delay on the drive's tick grid, hold and
    exposure. Left out: steps of the DAC, slew limit, travel stops, and changes with temperature.

    Parameters
    ----------
    built : Built
        The scenario.
    mirrors : TrueMirrors, optional
        Others in place of its own.
    within : bool
        As for `population_plant`.
    """
    m = mirrors or present_mirrors(built)
    return population_plant(
        plant_belief(built), m.resonance_rad_s, m.quality, gain=m.gain, cross=m.cross,
        stiffening=stiffening_of(built)[m.place], delay_s=m.delay_s, within=within,
    )  # fmt: skip
