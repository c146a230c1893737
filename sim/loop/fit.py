"""Whether a run can go on from a state with the parts at hand; kernels do not check it."""

from typing import Any

import numpy as np

from sim.foundations.files.text import counted
from sim.foundations.ports.linear_law import states_law
from sim.loop.parts import Parts
from sim.loop.state import LoopState, initial_state
from sim.loop.tree import is_record, kind, leaves, misfit

FREE = ("pending.next_frame",)
"""Numbers of a state that change as it goes on."""


def check_fit(parts: Parts, state: LoopState) -> None:
    """Refuse a state that is not one of these parts, or of parts like them.

    Sizes and kinds are compared, not numbers: which scenario a state is of, the caller must know
    (`sim.loop.saved.load_state` does).

    Raises
    ------
    ValueError
        If the state has other mirrors, connections, latency, sampling or kinds of parts.
    """
    if wrong := _wrong(parts, state):
        raise ValueError(f"state does not fit the parts: {wrong}")


def _wrong(parts: Parts, state: LoopState) -> str | None:
    if not 0 <= state.frame <= parts.clock.n_frames:
        return f"frame must be from 0 to {parts.clock.n_frames}, got {state.frame}"
    fresh = initial_state(parts)
    if wrong := misfit(_own(fresh), _own(state)) or _other_plug_in(fresh, state):
        return wrong
    done = state.frame * parts.clock.ticks_per_frame // parts.interval_ticks
    there, exact = dict(leaves(state)), _exact(parts)
    for name, wanted in leaves(fresh):
        if not name.startswith(exact):
            continue
        shape = np.shape(wanted)
        if name.startswith("records.rows"):
            shape = (done, *shape[1:])
        if wrong := _other(name, there[name], shape, np.asarray(wanted).dtype):
            return wrong
        if name in FREE:
            continue
        if isinstance(wanted, int) and wanted != there[name]:
            return f"{name} must be {wanted}, got {there[name]}"
    return None


def _own(state: LoopState) -> LoopState:
    """Return the state without what plug-ins keep."""
    surroundings = state.surroundings._replace(disturbances=())
    health = None if state.health is None else state.health._replace(watch=None, alarms=())
    return state._replace(control=None, pictures=(), surroundings=surroundings, health=health)


def _other_plug_in(fresh: LoopState, state: LoopState) -> str | None:
    """Return which plug-in's state is a record of another kind, or that there are more or fewer."""
    ours, theirs = (each.surroundings.disturbances for each in (fresh, state))
    if len(ours) != len(theirs):
        return f"surroundings must be of {counted(len(ours), 'disturbance')}, got {len(theirs)}"
    pairs = [("control", fresh.control, state.control)]
    if fresh.health is not None and state.health is not None:
        pairs.append(("health.watch", fresh.health.watch, state.health.watch))
    pairs += [(f"disturbances.{i}", *pair) for i, pair in enumerate(zip(ours, theirs, strict=True))]
    for name, wanted, given in pairs:
        if (is_record(wanted) or is_record(given)) and type(wanted) is not type(given):
            return f"{name} must be {kind(wanted)}, got {kind(given)}"
    return None


def _exact(parts: Parts) -> tuple[str, ...]:
    """Parts of a state whose sizes follow from the parts of the run."""
    own = ("motion", "reference.believed", "search", "records", "pending")
    return (*own, "control") if states_law(parts.controller) else own


def _other(name: str, given: Any, shape: tuple[int, ...], dtype: np.dtype[Any]) -> str | None:
    """Return how an array is not what it must be; None if it is."""
    array = np.asarray(given)
    if array.shape == shape and array.dtype == dtype:
        return None
    return f"{name} must be {dtype} {shape}, got {array.dtype} {array.shape}"
