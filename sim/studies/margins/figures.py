"""Stability and margins of loops, mirror by mirror, as searches need them."""

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from controllers.analysis.linear_loop import (
    Loop,
    axis_gain,
    close,
    frequency_grid,
    growth,
    largest_singular_value,
    loop_gain,
    sensitivity,
)
from controllers.analysis.linearise import LinearController
from controllers.analysis.margins import margins
from sim.foundations.ports import Array

GRID: Final = 260
"""Frequencies of a search; what it chose is checked on more."""


class LoopFigures(NamedTuple):
    """What loops alone say of every mirror, (M,) each; margins mean nothing where not stable."""

    loop: Loop
    stable: NDArray[np.bool_]
    ms: Array
    """Of both axes together. [-]"""
    gain_db: Array
    """Smaller one of both axes; infinite if there is none. [dB]"""
    phase_deg: Array
    """[deg]"""


def figures_of(loop: Loop, n_grid: int = GRID) -> LoopFigures:
    """Return stability and margins of loops on a grid of so many frequencies."""
    grid = frequency_grid(loop, n_grid)
    whole = sensitivity(loop_gain(loop, grid))
    of_axes = margins(grid, axis_gain(whole))
    return LoopFigures(
        loop,
        growth(close(loop)) < 1.0,
        largest_singular_value(whole).max(axis=0),
        20 * np.log10(np.nan_to_num(of_axes.gain, nan=np.inf).min(axis=-1)),
        np.degrees(np.nan_to_num(of_axes.phase_rad, nan=np.inf)).min(axis=-1),
    )


def controller_matrices(linear: LinearController, place: NDArray[np.intp]) -> LinearController:
    """Return a controller's matrices for some mirrors; its own where all mirrors have the same."""
    if len(linear.D) == 1:
        return linear
    return LinearController(*(part[place] for part in linear))
