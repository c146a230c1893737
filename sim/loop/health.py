"""The health watch in the loop: what it finds frame by frame, and when the switch acts on it."""

from collections.abc import Callable
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.foundations.errors import PlugInError
from sim.foundations.kinds.outside import kind_of
from sim.foundations.ports import Array, Findings, Setpoint, Sight, SpotStatus, TiltReading, Watch
from sim.foundations.ports.watch import findings_fault
from sim.optics.epochs import Epoch

LEAST_REACTION: Final = 17
"""Frames from an alarm to what is done about it: more than the longest stretch of frames, so that
where a run is cut makes no difference."""
HOLDS: Final = ("hold", "re_route")
AT_BOUNDARY: Final = ("re_aim", "re_route")
NEVER: Final = np.iinfo(np.int64).max


class Attendant(NamedTuple):
    """A watch, and what the switch does about its alarms."""

    watch: Watch[Any]
    actions: tuple[str, ...]
    """By FaultKind."""
    react_frames: int
    """From an alarm until it is acted on."""
    spares: tuple[tuple[int, ...], tuple[int, ...]]
    """Columns of the fleet that belong to spare inputs, and to spare outputs."""
    first_output: int
    """Column of the first mirror of array B."""
    rewired: Callable[[Epoch, Array, NDArray[np.int64], int], Epoch] | None
    """From an epoch, the aims before it, pairs (C, 2) and a frame to the epoch that is commanded
    then."""


class Alarm(NamedTuple):
    """One mirror that was found to misbehave, and what is done about it."""

    frame: int
    mirror: int
    """Column of the fleet."""
    kind: int
    """FaultKind."""
    gain: float
    """As found; NaN if it was not."""
    action: str
    acts_frame: int
    spare: int
    """Column of the mirror that takes over, or -1."""


class HealthState(NamedTuple):
    """All that changes with a watch in the loop."""

    watch: Any
    """State of the watch, as it keeps it."""
    kind: NDArray[np.uint8]
    """(M,) FaultKind as the watch has it."""
    held_from: NDArray[np.int64]
    """(M,) frame from which each mirror keeps its correction."""
    alarms: tuple[Alarm, ...]
    carried_out: int
    """Of them, those whose time to act has come."""


EXAMPLE: Final = Alarm(0, 0, 0, 0.0, "", 0, 0)
"""Of the form that all alarms have."""


def healthy(attendant: Attendant | None, n_mirrors: int) -> HealthState | None:
    """Return the state before the first frame; None without a watch."""
    if attendant is None:
        return None
    return HealthState(
        attendant.watch.initial_state(n_mirrors),
        np.zeros(n_mirrors, np.uint8),
        np.full(n_mirrors, NEVER),
        (),
        0,
    )


def withheld(state: HealthState | None, frame: int, reading: TiltReading) -> TiltReading:
    """Return what the controller is given: nothing of mirrors that are held."""
    if state is None:
        return reading
    held = state.held_from <= frame
    if not held.any():
        return reading
    return TiltReading(
        np.where(held[:, None], np.nan, reading.tilt_rad),
        np.where(held, SpotStatus.FAILED, reading.status).astype(np.uint8),
    )


def attended(
    attendant: Attendant, state: HealthState, frame: int, sight: Sight
) -> HealthState:
    """Return the state after the watch has seen a frame; new alarms get their orders.

    Raises
    ------
    PlugInError
        If the watch gives something else than findings on these mirrors.
    """
    watch, found = attendant.watch.step(state.watch, sight)
    if fault := findings_fault(found, len(state.kind)):
        raise PlugInError(f'health watch "{kind_of(attendant.watch)}": {fault}')
    fresh = (found.kind > 0) & (state.kind == 0)
    state = state._replace(watch=watch, kind=found.kind.astype(np.uint8))
    for column in np.flatnonzero(fresh):
        state = _ordered(attendant, state, frame, int(column), found)
    return state


def see(
    attendant: Attendant | None, state: HealthState | None, frame: int, reading: TiltReading,
    setpoint: Setpoint, correction_rad: Array,
) -> HealthState | None:  # fmt: skip
    """Return the state after a frame, with or without a watch."""
    if attendant is None or state is None:
        return None
    return attended(attendant, state, frame, Sight(reading, setpoint, correction_rad))


def next_order(state: HealthState | None) -> int | None:
    """Return the frame before which the switch acts next, or None; holding needs no such cut."""
    if state is None:
        return None
    waiting = (a for a in state.alarms[state.carried_out :] if a.action in AT_BOUNDARY)
    return next((alarm.acts_frame for alarm in waiting), None)


def _ordered(
    attendant: Attendant, state: HealthState, frame: int, column: int, found: Findings
) -> HealthState:
    """Return the state with one more alarm."""
    kind = int(found.kind[column])
    action, spare = attendant.actions[kind], -1
    acts = frame + attendant.react_frames
    if action == "re_route":
        spare = _spare(attendant, state, column)
        action = action if spare >= 0 else "hold"
    held_from = state.held_from
    if action in HOLDS:
        held_from = held_from.copy()
        held_from[column] = min(int(held_from[column]), acts)
    alarm = Alarm(frame, column, kind, float(found.gain[column]), action, acts, spare)
    return state._replace(held_from=held_from, alarms=(*state.alarms, alarm))


def _spare(attendant: Attendant, state: HealthState, column: int) -> int:
    """Return the column of the first spare of the mirror's own side that is left, or -1."""
    inputs, outputs = attendant.spares
    used = {alarm.spare for alarm in state.alarms} | {alarm.mirror for alarm in state.alarms}
    side = outputs if column >= attendant.first_output else inputs
    return next((each for each in side if each not in used), -1)
