"""What the switch does about an alarm between two frames: aim afresh, or move a connection."""

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.loop.health import Alarm, HealthState
from sim.loop.parts import Parts
from sim.loop.reference import Command
from sim.loop.state import LoopState
from sim.loop.tree import is_record, parts_of
from sim.optics.epochs import Epoch


def as_ordered(parts: Parts, health: HealthState | None) -> Parts:
    """Return the parts as they are once all that was carried out so far is done.

    Parameters
    ----------
    parts : Parts
        As built.
    health : HealthState, optional
        Of the state that goes on with them.
    """
    if health is None:
        return parts
    for alarm in health.alarms[: health.carried_out]:
        if alarm.action == "re_aim":
            parts = _with_gain(parts, alarm)
        elif alarm.action == "re_route":
            parts = _rerouted(parts, alarm)
    return parts


def carried_out(parts: Parts, state: LoopState, health: HealthState) -> LoopState:
    """Return the state with the orders that are due before its next frame carried out."""
    due = [a for a in health.alarms[health.carried_out :] if a.acts_frame <= state.frame]
    again = np.zeros(len(parts.mirrors), bool)
    again[[a.mirror for a in due if a.action == "re_aim"]] = True
    health = health._replace(carried_out=health.carried_out + len(due))
    if not again.any() or parts.health is None:
        return state._replace(health=health)
    fresh = parts.controller.initial_state(len(again))
    return state._replace(
        control=_columns(state.control, fresh, again),
        health=health._replace(
            watch=parts.health.watch.forget(health.watch, again),
            kind=np.where(again, 0, health.kind).astype(np.uint8),
        ),
    )


def _with_gain(parts: Parts, alarm: Alarm) -> Parts:
    """Return parts in which the firmware believes what was found of a mirror's gain."""
    if not np.isfinite(alarm.gain) or abs(alarm.gain) < 0.05:
        return parts
    gain = parts.fleet.believed_gain.copy()
    gain[:, alarm.mirror] *= alarm.gain
    return replace(parts, fleet=parts.fleet._replace(believed_gain=gain))


def _rerouted(parts: Parts, alarm: Alarm) -> Parts:
    """Return parts in which the connections of a mirror go by way of its spare, from then on."""
    assert parts.health is not None and parts.health.rewired is not None
    rewired = parts.health.rewired
    epochs: list[Epoch] = []
    frames: list[int] = []
    plan = [*zip(parts.epochs, parts.epoch_frames, strict=True)]
    later = [(epoch, frame) for epoch, frame in plan if frame > alarm.acts_frame]
    before = [(epoch, frame) for epoch, frame in plan if frame <= alarm.acts_frame]
    for epoch, frame in before:
        if frame < alarm.acts_frame:
            epochs.append(epoch)
            frames.append(frame)
    for epoch, frame in [(before[-1][0], alarm.acts_frame), *later]:
        pairs = np.where(epoch.pairs == alarm.mirror, alarm.spare, epoch.pairs)
        aim = epochs[-1].aim_rad if epochs else epoch.aim_rad
        epochs.append(rewired(epoch, aim, pairs, frame))
        frames.append(frame)
    commands = tuple(
        Command(stage.frame, stage.aim_rad + parts.population.alignment_rad)
        for epoch in epochs for stage in epoch.stages
    )  # fmt: skip
    return replace(
        parts, epochs=tuple(epochs), epoch_frames=tuple(frames),
        reference=parts.reference.with_commands(commands),
    )  # fmt: skip


def _columns(old: Any, new: Any, which: NDArray[np.bool_]) -> Any:
    """Return a state with the leaves of the marked mirrors, the first axis, from another."""
    if is_record(old):
        return type(old)(*(_columns(v, getattr(new, k), which) for k, v in parts_of(old)))
    if isinstance(old, tuple):
        return tuple(_columns(a, b, which) for a, b in zip(old, new, strict=True))
    if isinstance(old, np.ndarray) and old.shape[:1] == which.shape:
        return np.where(which.reshape(-1, *(1,) * (old.ndim - 1)), new, old)
    return old
