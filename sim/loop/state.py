"""All that changes in a run, in one record: take it, keep it, go on from it, as often as wanted.

What is fixed is in `Parts`. Every part of a state is a NamedTuple of arrays, numbers, texts,
tuples and None; disturbances and controllers keep to that too (`sim.loop.saved` refuses what does
not). No array of a state that `steps` has yielded changes afterwards.
"""

from copy import deepcopy
from typing import Any, NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

from sim.camera.search import SearchState, nothing_lost
from sim.foundations.ports import Array
from sim.loop.arrivals import arrivals_of
from sim.loop.health import HealthState, healthy
from sim.loop.parts import Parts
from sim.loop.pending import Pending, nothing_pending
from sim.loop.recorder import Records, nothing_noted
from sim.loop.reference import ReferenceState
from sim.loop.stopwatch import Spent
from sim.loop.surroundings import SurroundingsState, undisturbed
from sim.mirror.motion import Motion, Moving

Tree = TypeVar("Tree")


class CameraPicture(NamedTuple):
    """Spot images of one frame."""

    shows: str
    frame: int
    pixels_dn: NDArray[np.uint16]
    """(M, H, W) [DN]"""


class LoopState(NamedTuple):
    """All that changes in a run of the loop, before a frame."""

    frame: int
    motion: Motion
    """Mirrors, amplifiers, and corrections on their way to the drive."""
    reference: ReferenceState
    """The commanded path ahead, and the believed mirrors."""
    surroundings: SurroundingsState
    """Disturbances, mounts and bracket at the start of the block that the frame lies in."""
    resonance_change: float
    """Relative change of the resonance that the propagators are made for. [-]"""
    control: Any
    """State of the controller, as it keeps it."""
    search: SearchState | None
    """Searches for lost spots, if there are any to be made."""
    records: Records
    """The traces so far."""
    pictures: tuple[CameraPicture, ...]
    """Those taken so far."""
    spent: Spent
    """What took the time so far."""
    confusion: NDArray[np.int32] | None = None
    """(4, M) counts of readings as `sim.camera.spot_guard.Confusion` lists them so far; None where
    no stray light of neighbours is simulated."""
    pending: Pending | None = None
    """Readings and corrections on their way, if events can make them late."""
    health: HealthState | None = None
    """The watch over the mirrors and its alarms, if there is one."""


def initial_state(parts: Parts) -> LoopState:
    """Return the state before the first frame: mirrors are at rest on their first aims.

    Parameters
    ----------
    parts : Parts
        What takes part.

    Returns
    -------
    LoopState
        Of frame 0.
    """
    m = len(parts.mirrors)
    reference = parts.reference.initial_state()
    _, asked_rad, _ = parts.reference.frame(reference, 0)
    arrivals = arrivals_of(parts)
    moving = Moving(
        np.ascontiguousarray(parts.epochs[0].aim_rad.T + parts.population.alignment_rad.T),
        np.zeros((2, m)),
        _volts(asked_rad[0], parts),
        np.zeros(m, np.int64),
    )
    return LoopState(
        frame=0,
        motion=Motion(moving, np.zeros((arrivals.most + 1, 2, m)), arrivals.most, arrivals.first),
        reference=reference,
        surroundings=undisturbed(parts),
        resonance_change=0.0,
        control=parts.controller.initial_state(m),
        search=None if parts.search is None else nothing_lost(m),
        records=nothing_noted(parts),
        pictures=(),
        spent=Spent(),
        confusion=np.zeros((4, m), np.int32) if parts.measurement.params.spill else None,
        pending=nothing_pending(parts) if parts.events else None,
        health=healthy(parts.health, m),
    )


def copy_state(state: Tree) -> Tree:
    """Return a state, or a part of one, with arrays of its own.

    A yielded state shows the rows of its run's traces and so keeps all of them in memory; a copy
    holds what it shows alone.

    Parameters
    ----------
    state : LoopState, or a part of one
        From `steps` or `initial_state`.

    Returns
    -------
    the same type
        Shares no array with it.
    """
    return deepcopy(state)


def _volts(asked_rad: Array, parts: Parts) -> Array:
    """Drive voltages (2, M) that hold a static tilt, as believed. [V]"""
    ratio = asked_rad / parts.fleet.believed_gain
    return np.copysign(np.sqrt(np.abs(ratio)), ratio) if parts.drive.square else ratio
