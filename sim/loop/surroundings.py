"""From the disturbances of a run to what reaches mirrors and camera."""

from typing import Any, NamedTuple

import numpy as np

from sim.foundations.ports import Array, Effects
from sim.loop.checks import check_effects
from sim.loop.parts import Parts
from sim.loop.plan import Stretch, block_end, block_start
from sim.mechanics.isolator import IsolatorState
from sim.mechanics.resonator import SectionState


class Environment(NamedTuple):
    """What surrounds the mirrors over one block of F frames of N ticks."""

    acceleration: Array
    """(F*N + 1, 3) of the core at tick edges. [m/s^2]"""
    sensor: Array
    """(F*N + 1, 2) shift of the camera's frame at tick edges. [rad]"""
    rest: Array
    """(F + 1, 2, M) wander of the rest angles at frame edges. [rad]"""
    gain: Array
    """(F + 1,) relative change of the drive's gain. [-]"""
    resonance: Array
    """(F + 1,) relative change of the resonance. [-]"""
    temperature: Array
    """(F + 1,) [K]"""


    sway: Array
    """(F*N + 1, 3) of the core against the chassis at tick edges. [m]"""

    def part(self, first: int, count: int, ticks_per_frame: int) -> "Environment":
        """Return what surrounds the mirrors over `count` of the frames, from the `first` on."""
        ticks = slice(first * ticks_per_frame, (first + count) * ticks_per_frame + 1)
        edges = slice(first, first + count + 1)
        return Environment(
            self.acceleration[ticks], self.sensor[ticks], self.rest[edges], self.gain[edges],
            self.resonance[edges], self.temperature[edges], self.sway[ticks],
        )  # fmt: skip


class SurroundingsState(NamedTuple):
    """State of everything that acts from outside at the start of a block of frames."""

    disturbances: tuple[Any, ...]
    """State of each, as it keeps it."""
    mounts: IsolatorState | None
    bracket: SectionState | None


def undisturbed(parts: Parts) -> SurroundingsState:
    """Return the state before the first frame."""
    return SurroundingsState(
        tuple(each.initial_state() for each in parts.disturbances),
        None if parts.isolator is None else parts.isolator.initial_state(),
        None if parts.bracket is None else parts.bracket.initial_state(),
    )


def advance_surroundings(
    parts: Parts, state: SurroundingsState, first: int, count: int
) -> tuple[SurroundingsState, Environment]:
    """Add up the disturbances, and pass the base's acceleration through mounts and bracket.

    Parameters
    ----------
    parts : Parts
        What takes part.
    state : SurroundingsState
        At the start of frame `first`; not changed.
    first, count : int
        The block of frames.

    Returns
    -------
    SurroundingsState
        At the start of the next block.
    Environment
        Over this one.
    """
    n, m = parts.clock.ticks_per_frame, len(parts.mirrors)
    disturbances, mounts, bracket = list(state.disturbances), state.mounts, state.bracket
    shapes = ((count * n + 1, 3), (count + 1, m, 2), (count + 1, 2), *((count + 1,),) * 3)
    found: list[Array | None] = [None] * len(Effects._fields)
    for i, disturbance in enumerate(parts.disturbances):
        disturbances[i], effects = disturbance.advance(disturbances[i], first, count)
        check_effects(effects, shapes, disturbance, i, first * parts.clock.frame_s)
        found = [_sum(total, part) for total, part in zip(found, effects, strict=True)]
    acceleration, rest, sensor, gain, resonance, temperature = (
        np.zeros(shape) if total is None else np.asarray(total, np.float64)
        for total, shape in zip(found, shapes, strict=True)
    )
    sway = np.zeros((count * n + 1, 3))
    if parts.isolator is not None and mounts is not None:
        mounts, acceleration, sway = parts.isolator.advance(mounts, acceleration)
    shift = np.zeros((count * n + 1, 2))
    if sensor.any():
        edges = np.arange(count * n + 1) / n
        for axis in range(2):
            shift[:, axis] = np.interp(edges, np.arange(count + 1), sensor[:, axis])
    if parts.bracket is not None and bracket is not None:
        bracket, swing = parts.bracket.advance(bracket, acceleration)
        shift = shift + swing
    environment = Environment(
        np.ascontiguousarray(acceleration),
        shift,
        np.ascontiguousarray(rest.transpose(0, 2, 1)),
        np.ascontiguousarray(gain),
        resonance,
        temperature,
        sway,
    )
    return SurroundingsState(tuple(disturbances), mounts, bracket), environment


class SurroundingsBlock(NamedTuple):
    """Some frames of surroundings, made in one go."""

    first: int
    end: int
    """First frame after it."""
    environment: Environment
    after: SurroundingsState
    """At its end."""

    def part(self, stretch: Stretch, ticks_per_frame: int) -> Environment:
        """Return what surrounds the mirrors over a stretch of its frames."""
        return self.environment.part(stretch.first - self.first, stretch.frames, ticks_per_frame)

    def resonance_from(self, frame: int) -> Array:
        """Return the relative change of the resonance in a frame and those after it. [-]"""
        return self.environment.resonance[frame - self.first : -1]


def block_of(parts: Parts, state: SurroundingsState, frame: int) -> SurroundingsBlock:
    """Return the block of surroundings that a frame lies in; the state is that at its start."""
    first, end = block_start(frame), block_end(frame)
    count = min(end, parts.clock.n_frames) - first
    after, environment = advance_surroundings(parts, state, first, count)
    return SurroundingsBlock(first, end, environment, after)


def _sum(total: Array | None, part: Array | None) -> Array | None:
    if total is None or part is None:
        return part if total is None else total
    return total + part
