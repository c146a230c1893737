"""Where the firmware expects the mirrors: the commanded path, and the believed response to it."""

import math
import sys
from copy import copy
from functools import cached_property
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import scipy
from numpy.typing import NDArray

from sim.foundations.errors import PlugInError
from sim.foundations.kinds.outside import kind_of
from sim.foundations.ports import Array, Clock, PlantBelief, Shaper, path_fault

AT_REST_RAD = 1e-9
"""The expected path is taken as arrived within this of the command."""


class Command(NamedTuple):
    """New aims, all commanded at the start of one frame."""

    frame: int
    target_rad: Array
    """(M, 2) believed aim. [rad]"""


class ReferenceState(NamedTuple):
    """Commanded path and believed mirrors at the start of a frame."""

    believed: Array
    """(2, 3, M) tilt, rate and drive of the believed mirrors, per axis."""
    ahead_rad: Array
    """(K, 2, M) commanded tilt from the frame's first tick on; its last value is held. [rad]"""
    arrived: bool
    """The path is at its end, and the believed mirrors are at rest there."""


class Reference:
    """Plays the shaped path of each command, and what the believed mirrors make of it.

    Every mirror is believed to be the nominal one: linear, with the nominal amplifier. Commands
    follow each other; one that comes during a move starts from the path's present value.
    `cross_axis` (2, M) is the share of the other axis' drive that was measured: what is asked for
    makes up for it. Corrections of the loop are not decoupled.
    """

    def __init__(
        self,
        commands: tuple[Command, ...],
        shaper: Shaper,
        belief: PlantBelief,
        clock: Clock,
        cubic_per_rad2: tuple[float, float],
        exposure_weights: Array,
        cross_axis: Array | None = None,
    ) -> None:
        self._commands = commands
        self._shaper = shaper
        self._cubic = np.array(cubic_per_rad2)[:, None]
        self._cross = cross_axis
        self._n, self._tick_s = clock.ticks_per_frame, clock.tick_s
        self._belief, self._weights = belief, exposure_weights

    @cached_property
    def _factors(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """What a frame makes of the state and of the commands; needed once frames are played."""
        return _believed_frame(self._belief, self._weights)

    def with_commands(self, commands: tuple[Command, ...]) -> "Reference":
        """Return the same reference with other commands."""
        other = copy(self)
        other._commands = commands
        return other

    def initial_state(self) -> ReferenceState:
        """Return mirrors at rest on the aims of the first command."""
        target = np.ascontiguousarray(self._commands[0].target_rad.T)
        return ReferenceState(_at_rest(target), target[None], arrived=False)

    def frame(self, state: ReferenceState, number: int) -> tuple[ReferenceState, Array, Array]:
        """Return what frame `number` makes of the state, what it asks for, and what is expected.

        Frames are played in order; those before `next_move` may be left out.

        Returns
        -------
        state : ReferenceState
            At the start of the next frame.
        asked_rad : (N, 2, M) ndarray
            Static tilt that the drive is asked for in each tick, the nominal cubic spring allowed
            for; once the path has arrived it is (1, 2, M), for all ticks. [rad]
        expected_rad : (M, 2) ndarray
            Expected mean tilt over the exposure. [rad]
        """
        for before, command in pairwise(self._commands):
            if command.frame == number:
                ahead = self._ahead(state.ahead_rad, before, command)
                state = state._replace(ahead_rad=ahead, arrived=False)
        ahead = state.ahead_rad
        if state.arrived:
            return state, self._asked(ahead), np.ascontiguousarray(ahead[-1].T)
        ticks = ahead[: self._n]
        held = np.broadcast_to(ahead[-1], (self._n - len(ticks), *ahead.shape[1:]))
        ticks = np.concatenate([ticks, held])
        from_state, from_command = self._factors
        after = from_state @ state.believed + from_command @ ticks.transpose(1, 0, 2)
        expected = np.ascontiguousarray(after[:, 3].T)
        ahead = ahead[self._n :] if len(ahead) > self._n else ahead[-1:]
        state = self._arrived_or_not(np.ascontiguousarray(after[:, :3]), ahead)
        return state, self._asked(ticks), expected

    @property
    def command_frames(self) -> tuple[int, ...]:
        """Frames in which mirrors are sent somewhere else."""
        return tuple(command.frame for command in self._commands[1:])

    @property
    def longest_path_s(self) -> float:
        """How long the longest shaped path of a command takes; 0 without a move. [s]"""
        paths = (self._path(m.target_rad, n) for m, n in pairwise(self._commands))
        return self._tick_s * max(map(len, paths), default=0)

    def next_move(self, state: ReferenceState, number: int) -> int:
        """Return the first frame from `number` on, where the state is, in which the path moves."""
        commands = [each.frame for each in self._commands[1:] if each.frame >= number]
        return min(commands, default=sys.maxsize) if state.arrived else number

    def _ahead(self, ahead_rad: Array, before: Command, command: Command) -> Array:
        """Return what is ahead (K, 2, M) after a command; axes whose aim stays keep their path."""
        new = self._path(np.ascontiguousarray(ahead_rad[0].T), command)
        stays = (command.target_rad == before.target_rad).T
        if len(ahead_rad) == 1 or not stays.any():
            return new
        longest = max(len(new), len(ahead_rad))
        at = np.arange(longest)
        old = ahead_rad[np.minimum(at, len(ahead_rad) - 1)]
        return np.where(stays, old, new[np.minimum(at, len(new) - 1)])

    def _path(self, start_rad: Array, command: Command) -> Array:
        """Return the shaped path (K, 2, M) of a command."""
        path = self._shaper.path(start_rad, command.target_rad)
        fault = path_fault(path, len(command.target_rad))
        if fault is not None:
            raise PlugInError(f'shaping "{kind_of(self._shaper)}": the path {fault}')
        return np.ascontiguousarray(path.transpose(0, 2, 1))

    def _asked(self, ticks_rad: Array) -> Array:
        asked = ticks_rad * (1.0 + self._cubic * ticks_rad**2)
        return np.ascontiguousarray(asked if self._cross is None else decoupled(asked, self._cross))

    @staticmethod
    def _arrived_or_not(believed: Array, ahead_rad: Array) -> ReferenceState:
        target = ahead_rad[-1]
        slow = np.abs(believed[:, 1]).max() < AT_REST_RAD * 1e4
        near = np.abs(believed[:, 0] - target).max() < AT_REST_RAD
        if len(ahead_rad) == 1 and slow and near:
            return ReferenceState(_at_rest(target), ahead_rad, arrived=True)
        return ReferenceState(believed, ahead_rad, arrived=False)


def decoupled(asked_rad: Array, cross: Array) -> Array:
    """Return what (..., 2, M) to ask of both drives so that each axis gets what it is to get.

    Each axis receives its own u plus `cross` (2, M) times the other's.
    """
    return np.asarray((asked_rad - cross * asked_rad[..., ::-1, :]) / (1.0 - cross[0] * cross[1]))


def _at_rest(tilt_rad: Array) -> Array:
    """State (2, 3, M) of (tilt, rate, u) per axis for mirrors at rest at (2, M). [rad]"""
    return np.stack([tilt_rad, np.zeros_like(tilt_rad), tilt_rad], axis=1)


def _believed_frame(
    belief: PlantBelief, weights: Array
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """What a frame makes of the state at its start, and of the commands in its ticks.

    Returns
    -------
    (2, 4, 3), (2, 4, N) ndarray
        Per axis, factors of the state and of the commands in (tilt, rate, u) at the frame's end and
        in the tilt that the `weights` (N + 1,) of the tick edges pick out.
    """
    phi, gamma = _believed_step(belief)
    n = len(weights) - 1
    state = np.broadcast_to(np.eye(3), (2, 3, 3))
    command = np.zeros((2, 3, n))
    seen = weights[0] * np.concatenate([state[:, :1], command[:, :1]], axis=2)
    for tick in range(n):
        state = phi @ state
        command = phi @ command
        command[:, :, tick] += gamma
        seen = seen + weights[tick + 1] * np.concatenate([state[:, :1], command[:, :1]], axis=2)
    both = np.concatenate([np.concatenate([state, command], axis=2), seen], axis=1)
    return np.ascontiguousarray(both[:, :, :3]), np.ascontiguousarray(both[:, :, 3:])


def _believed_step(belief: PlantBelief) -> tuple[Array, NDArray[np.float64]]:
    """Exact tick step of (tilt, rate, u) per axis, for a command held over the tick."""
    phi, gamma = [], []
    for w, q in zip(belief.resonance_rad_s, belief.quality, strict=True):
        lag = 1.0 / belief.amplifier_s
        generator = np.array(
            [
                [0.0, 1.0, 0.0, 0.0],
                [-(w**2), -w / q, w**2, 0.0],
                [0.0, 0.0, -lag, lag],
                [0.0, 0.0, 0.0, 0.0],
            ]
        )
        step = scipy.linalg.expm(generator * belief.tick_s)
        phi.append(step[:3, :3])
        gamma.append(step[:3, 3])
    return np.array(phi), np.array(gamma)


def exposure_samples(clock: Clock, exposure_s: float, n_samples: int) -> Array:
    """Return (S, N + 1) weights that turn tick edges into tilt at the exposure's sample times.

    One sample is in the middle of the exposure; an even number are Gauss-Legendre points, two to
    each equal part, which carry equal weights. Tilt is taken as straight between ticks.

    References
    ----------
    .. [1] M. Abramowitz and I. A. Stegun, Handbook of Mathematical Functions, 25.4.29 and table
       25.4: two points at +-1/sqrt(3), exact for cubics.
    """
    weights = np.zeros((n_samples, clock.ticks_per_frame + 1))
    at = _sample_times(n_samples) * exposure_s / clock.tick_s
    for s, x in enumerate(at):
        n = min(math.floor(x), clock.ticks_per_frame - 1)
        weights[s, n] = 1.0 - (x - n)
        weights[s, n + 1] = x - n
    return weights


def _sample_times(n_samples: int) -> Array:
    """Instants (S,) of the samples, as parts of the exposure."""
    if n_samples == 1:
        return np.array([0.5])
    parts = n_samples // 2
    pair = 0.5 + np.array([-0.5, 0.5]) / math.sqrt(3.0)
    return ((np.arange(parts)[:, None] + pair) / parts).ravel()
