"""Which frames of a run are kept to be looked at."""

from typing import Any

import numpy as np

from sim.foundations.ports import Clock

MOST_LOOKED_AT = 300_000
"""Frames in which the strongest acceleration is looked for; in a longer run none is."""


def choose_pictures(
    clock: Clock, epoch_frames: tuple[int, ...], shaking: list[Any]
) -> tuple[tuple[str, int], ...]:
    """Choose frames worth a look: before, during and after what happens first."""
    last = clock.n_frames - 1
    moved = len(epoch_frames) > 1
    event = epoch_frames[1] if moved else _loudest_frame(clock, shaking)
    name = "the move" if moved else "the strongest acceleration"
    if event is None:
        chosen = [("first frame", 0), ("middle of the run", last // 2), ("last frame", last)]
    else:
        chosen = [
            (f"before {name}", max(event - 3, 0)),
            (f"at {name}", min(event + 1, last)),
            ("last frame", last),
        ]
    return tuple({frame: (text, frame) for text, frame in reversed(chosen)}.values())[::-1]


def _loudest_frame(clock: Clock, shaking: list[Any]) -> int | None:
    """Frame of the largest base acceleration of what is worth a picture; None without any."""
    if clock.n_frames > MOST_LOOKED_AT:
        return None
    best, where = 0.0, None
    for disturbance in shaking:
        state = disturbance.initial_state()
        for first in range(0, clock.n_frames, 1000):
            count = min(1000, clock.n_frames - first)
            state, effects = disturbance.advance(state, first, count)
            if effects.acceleration_m_s2 is None:
                continue
            size = np.linalg.norm(effects.acceleration_m_s2, axis=1)
            if size.max() > best:
                best, where = size.max(), first + int(size.argmax()) // clock.ticks_per_frame
    return where
