"""What estimators share that move a position by a fixed number of steps."""

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.firmware.rounding import Whole
from sim.firmware.spots.tables import above, brightest_pixel, correlations, pixel_word
from sim.firmware.spots.verdict import SpotWords, judged_words

Move = Callable[[Whole, Whole, Whole], tuple[Whole, NDArray[np.bool_]]]
"""(light (M, H, W), its sum (M,), position (M, 2)) -> the next position, and which spots have
nothing to go by."""


def read_iterated(pixels_dn: NDArray[np.int32], words: Any, move: Move) -> SpotWords:
    """Read spots from the peak of the correlation on, in `iterations` steps.

    Parameters
    ----------
    pixels_dn : (M, H, W) ndarray of int
        Windows as read. [DN]
    words : record of an estimator
        With `verdict`, `level`, `start`, `correlation_bits`, `iterations` and `settled`.
    move : callable
        One step.
    """
    v = words.verdict
    light = above(pixels_dn, words.level)
    total = light.sum(axis=(1, 2))
    peak = brightest_pixel(correlations(light, words.start, words.correlation_bits))
    position = before = pixel_word(peak, v.width, v.height, v.position.fraction)
    failed = np.zeros(len(total), bool)
    for _ in range(words.iterations):
        before = position
        position, lost = move(light, total, position)
        failed |= lost
    failed |= (np.abs(position - before) > words.settled).any(axis=1)
    return judged_words(v, position, total, failed)
