"""The steps of slow time up to an event: short while something changes, then longer."""

from collections.abc import Iterator
from typing import Final

import numpy as np

from sim.foundations.ports import Array

BLOCK: Final = 512
"""Steps that are worked on at a time; no figure depends on it but through the jitter, which is that
of a block's mean light and resonance."""
GROWTH: Final = 0.5
"""Part of the time since something began to change that a step may take. [-]"""
FIRST_STEP_S: Final = 10.0
"""Shortest step after a change, or the largest step if that is shorter. [s]"""


def blocks(from_s: float, to_s: float, since_s: float, largest_s: float) -> Iterator[Array]:
    """Yield the times of the steps up to an event, in blocks.

    Parameters
    ----------
    from_s, to_s : float
        Now, and the event. [s]
    since_s : float
        When something last began to change: the first power, a change of drive, or of the air. [s]
    largest_s : float
        Longest step. [s]
    """
    if to_s <= from_s:
        return
    early, at = [], from_s
    smallest_s = min(FIRST_STEP_S, largest_s)
    while at < to_s:
        step = max(GROWTH * (at - since_s), smallest_s)
        if step >= largest_s:
            break
        at = min(at + step, to_s)
        early.append(at)
    count = int(np.ceil((to_s - at) / largest_s - 1e-9))
    times = np.append(early, at + (to_s - at) * np.arange(1, count + 1) / max(count, 1))
    for first in range(0, len(times), BLOCK):
        yield times[first : first + BLOCK]
