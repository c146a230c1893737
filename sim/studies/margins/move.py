"""The last command before any correction: its shaped path, played on the true mirrors."""

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from controllers.analysis.plant import tilt_rows
from sim.assembly.build import Built
from sim.foundations.ports import Array
from sim.loop.reference import Reference
from sim.studies.margins.plant import TrueMirrors, plant_belief, present_mirrors, stiffening_of

FRAMES: Final = 400
"""Followed after the command; an error that is still too large then counts as not settled."""
SUBSTEPS: Final = 4
"""Runge-Kutta steps of the mirrors in a drive tick."""
QUIET: Final = 1e-3
"""Ringing below this share of the tolerance is taken as over."""
NO_COMMAND: Final = -1
"""A frame in which nothing is commanded."""
INSTANTS: Final = 10
"""Looked at in each frame."""


class Move(NamedTuple):
    """What the last command makes of the mirrors before any correction; no gain is in it."""

    error_rad: Array
    """(K, J, M, 2) error at J instants of each frame. [rad]"""
    mismatch_rad: Array
    """(K, M, 2) mean tilt over the exposure less what the firmware expects. [rad]"""
    standing_rad: Array
    """(M, 2) mismatch that stood before the command, which the loop has worked on since. [rad]"""
    standing_frames: int
    """From the command before, or from the start, to this one."""
    rows: tuple[tuple[Array, Array], ...]
    """Of each instant: tilt from the states of the sampled mirrors, and from u[k]."""
    stopped: NDArray[np.bool_]
    """(M,) mirrors that would swing beyond their travel stop: the prediction leaves it out."""


def move_of(built: Built, mirrors: TrueMirrors | None = None) -> Move:
    """Play the last command on the true mirrors, the cubic spring included, without corrections.

    Parameters
    ----------
    built : Built
        The scenario.
    mirrors : TrueMirrors, optional
        Others in place of its own.
    """
    parts, scenario = built.parts, built.resolved
    n, tick_s = parts.clock.ticks_per_frame, parts.clock.tick_s
    asked, expected, standing = _played(parts.reference, parts.epoch_frames, n)
    mine = mirrors or present_mirrors(built)
    at, w, q, cubic = (
        mine.place, mine.resonance_rad_s, mine.quality, np.array(scenario.mirror.cubic_per_rad2)
    )  # fmt: skip
    asked, expected, standing = asked[:, at], expected[:, at], standing[at]
    true = mine.gain * asked  # (T, M, 2)
    true = true + mine.cross * true[..., ::-1]
    tilt = np.empty((len(true), *w.shape))
    volt, rate, th = true[0].copy(), np.zeros_like(w), _at_rest(true[0], cubic)
    h, lag_s = tick_s / SUBSTEPS, parts.drive.lag_s

    def slope(t: float, th: Array, rate: Array, start: Array, target: Array) -> tuple[Array, Array]:
        drive = target + (start - target) * np.exp(-t / lag_s)
        return rate, w**2 * (drive - th * (1 + cubic * th**2)) - w / q * rate

    end, quiet_rad = _at_rest(true[-1], cubic), QUIET * parts.tolerance_rad
    for k in range(1, len(true)):
        target = true[k]
        tilt[k - 1] = th
        if k % n == 0 and (target == true[-1]).all() and (true[k:] == true[-1]).all():
            if (np.hypot(th - end, rate / w) < quiet_rad).all():
                tilt[k - 1 :] = end
                break
        for i in range(SUBSTEPS):
            t = i * h
            a1, b1 = slope(t, th, rate, volt, target)
            a2, b2 = slope(t + h / 2, th + h / 2 * a1, rate + h / 2 * b1, volt, target)
            a3, b3 = slope(t + h / 2, th + h / 2 * a2, rate + h / 2 * b2, volt, target)
            a4, b4 = slope(t + h, th + h * a3, rate + h * b3, volt, target)
            th = th + h / 6 * (a1 + 2 * a2 + 2 * a3 + a4)
            rate = rate + h / 6 * (b1 + 2 * b2 + 2 * b3 + b4)
        volt = target + (volt - target) * np.exp(-tick_s / lag_s)
    else:
        tilt[-1] = th
    frames = len(expected)
    edges = np.stack([tilt[k * n : (k + 1) * n + 1] for k in range(frames)])
    seen = np.einsum("st,ktma->ksma", parts.exposure_weights, edges).mean(axis=1)
    steps = n * np.arange(INSTANTS) // INSTANTS
    belief, root, delay = plant_belief(built), np.sqrt(stiffening_of(built)[at]), mine.delay_s
    states = _n_states(float(delay.max()), belief.frame_s)
    rows = tuple(
        tilt_rows(belief, w * root, q * root, delay, float(step) * tick_s, states)
        for step in steps
    )
    frames_before = np.diff([0, *parts.epoch_frames])[-1]
    travel = 1e-3 * np.array(scenario.mirror.travel_mrad)
    return Move(
        edges[:, steps] - parts.epochs[-1].aim_rad[at], seen - expected,
        _at_rest(true[0], cubic) - standing, int(frames_before), rows,
        np.asarray((np.abs(tilt) >= travel).any(axis=(0, 2))),
    )  # fmt: skip


def _n_states(latency_s: float, frame_s: float) -> int:
    whole = int(np.floor(latency_s / frame_s + 1e-9))
    return 3 + whole + (latency_s - whole * frame_s > 1e-9 * frame_s)


def _played(
    reference: Reference, epoch_frames: tuple[int, ...], n: int
) -> tuple[Array, Array, Array]:
    """Return asked tilt (T + 1, M, 2) from the tick before the last command on, and expected means.

    The means are those of its frames (K, M, 2), and the one (M, 2) before the command.
    """
    state = reference.initial_state()
    for first, end in zip(epoch_frames[1:-1], epoch_frames[2:], strict=True):
        for number in range(first, end):
            state, _, _ = reference.frame(state, number)
            if reference.next_move(state, number + 1) >= end:
                break
    last = epoch_frames[-1]
    state, before, standing = reference.frame(state, NO_COMMAND)
    asked, expected = [], []
    # A move in stages is watched as long after its last one.
    for number in range(last, max((last, *reference.command_frames)) + FRAMES):
        state, ticks, mean = reference.frame(state, number)
        asked.append(np.broadcast_to(ticks, (n, *ticks.shape[1:])))
        expected.append(mean)
    whole = np.concatenate([before[-1:], *asked])
    return np.ascontiguousarray(whole.transpose(0, 2, 1)), np.stack(expected), standing


def _at_rest(u: Array, cubic: Array) -> Array:
    th = u.copy()
    for _ in range(30):
        th = th - (th * (1 + cubic * th**2) - u) / (1 + 3 * cubic * th**2)
    return th


def moved_of(built: Built) -> NDArray[np.bool_]:
    """Return which mirrors (M,) the last command moves; all, if there is no command but the first.

    Only these have a settling time.
    """
    epoch = built.parts.epochs[-1]
    return epoch.moved if epoch.commanded else np.ones_like(epoch.moved)
